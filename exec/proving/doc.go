// Package proving chooses the calls that may tell a mutant from the original, and decides
// what their outcomes say. It starts nothing: the harness makes the calls (Prover.php), and
// package exec carries what is said to and fro.
//
// A Recording has the calls that the suite has made of the sources. Of these come Inputs: a
// call that reaches the change, and those before it that made its objects. An Input is tried
// as it was recorded; then a Variation changes its arguments. What differs is made smaller
// (Smaller), and a Look says what of the outcome a test has to look at.
package proving
