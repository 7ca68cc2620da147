// Package recording keeps what was seen of the unchanged suite, and answers questions
// about it. Once it is made, a Recording never changes but in what Forgive says.
//
// The suite falls into segments, numbered in its order: 0 is the building of the suite
// by bootstrap and data providers; then come the tests and, where a class has them,
// what is run before its first and after its last test; the last one is the end of the
// process. Boundary n is the moment before segment n. Of each segment is known which
// points it passes, how long it takes, what it loads and opens, and how it changes the
// state.
//
// The state is what code can leave behind in a process or on disk for the code that
// runs next. It consists of roots (a static property, a global, a setting, a file),
// each with a digest of its value. A root that is as it was declared has none. A
// segment that changes no root is neutral. Boundaries have the same state where all
// roots have the same digests; states are numbered.
//
// The suite is recorded twice, in two processes. A root that has another value at the
// same boundary of the two is volatile: a time, or a random name. Of it only the shape
// counts; where that differs, too, its kind, and else nothing.
//
// A file, or a class that is made by a test, may have another name in every run. Such roots are
// told by a pattern: the words of their names that the two recordings share, and a "*" for
// each of the others. What a replay leaves counts as one of them only if the segment leaves
// roots of that pattern in the recordings.
//
// A segment that changes a volatile root, leaves files of such a pattern, or has eval() make
// classes or functions, hides what else a mutant leaves in them; so does one behind which state is there that cannot be looked at. No mutant that passes it has survived
// before the rest of the suite has been run on it.
package recording
