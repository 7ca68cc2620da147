// Package judging decides, and runs nothing: which replays a mutant needs, in which
// order, and what a row of outcomes means.
//
// A pair is a mutant and a segment that passes it. Each pair is replayed from a process
// whose state is the recording's at the boundary before the segment. Red: the mutant is
// killed. Green, and the state behind it is the recording's (it has converged): nothing
// else in the suite can differ because of this segment. Green, and the state is another
// (it has diverged): the replay goes on through the segments that follow, until one is
// red, the state has converged again, or the suite is over. When all pairs are green and
// converged, or at the end, the mutant has survived.
//
// A Step is some pairs of one mutant that are replayed together. Its Form is one of
// two. Where a test is neutral and can be copied, any process in the state that it
// begins with will do, and the pairs of many mutants are run in a batch: one after the
// other in one process, in the order that kills soonest. All else is played: PHPUnit
// itself runs the suite on from the boundary before the first pair.
//
// The Entry says how the mutant gets in: it is selected in a file that was loaded with
// its mutants in it, or the changed file is swapped in, where the file has not been
// loaded yet.
package judging
