// Package operators holds the mutation operators: each a value of
// [mutate.Operator], each family a file, each with its cases in
// testdata/operators/FAMILY.txtar.
//
// # To add an operator
//
//  1. Pick the family's file, or start a new one with an init that registers.
//  2. Add a value: ID, Doc (what changes; a blank line; what no test does, and
//     the test to add), Before and After, Kinds, Apply; Input and Outcome where
//     values can be compared, and Hint where the code around says more. Apply and
//     Hint are pure. A name says what happens to the meaning, not which token
//     becomes which; the words are the trade's, PHP's or our own.
//  3. Add cases to the family's archive: one where it applies, and look-alikes
//     that it must leave alone. UPDATE=1 go test ./operators writes the wants;
//     read the diff.
//  4. Where a change is deliberately not made, say why in a comment there.
//
// Nothing else needs to change: the list, the help pages, the reports and the
// tests find the operator by walking All.
//
// Three things every operator gets without asking: nodes marked Bad never reach
// Apply, attributes are left alone (register), and the breadth core makes no
// edit at quiet places such as logs and messages (quiet.go). Where an operator
// must know its surroundings, place.go and evident.go have the questions that
// several families ask. Whether a mutant would do the same as the original for every value
// that can stand there, certain.go, neutral.go and counted.go say; each answer has a case
// in TestNeutral, which asks PHP, and a near miss.
//
// What it does not do: choose files, identify mutants, drop duplicates between
// families (package mutate does), or know anything about tests.
package operators
