// Package mutate owns the nouns of mutation analysis and the way from source
// text to mutants.
//
//	source files ─parse─▶ trees ─operators─▶ mutants ─┐
//	                                                  ├─▶ plan ─▶ replays ─▶ verdicts ─▶ reports
//	test suite ─record─▶ segments, points, states ────┘
//
// The nouns are in mutate.go. Generate makes the mutants of one file, Points
// lays out the probe points by which a recording tells what reaches them, and Combine
// writes many mutants into one text, of which one is chosen when it is run.
// Both are pure: same bytes, same operators, same mutants, IDs and order.
//
// # What must hold
//
//   - A mutant is one edit to an otherwise identical file.
//   - Trees and sources are never written to after they were made.
//   - Reach may be said too large, never too small: every execution of the
//     changed code passes the mutant's point first.
//   - A file that PHP no longer accepts is stillborn, never killed.
//   - A failure of this program is Broken, never Killed.
//   - The zero Status is a bug.
//
// The package knows no operator by name and runs nothing: operators are handed
// in, package exec runs PHP.
package mutate
