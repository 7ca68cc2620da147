// Package testcode writes a [mutate.Finding] as a test, the way the tests of the project
// are written.
//
// In come the project's test files, as bytes, and a finding. Out come [Test] values, the
// plainest first: a row of a data provider, a method of the class of the test that the
// finding comes from, or a class of its own. Each has the whole new text of its file.
// Whoever runs them tells which of them is green on the original and red on the mutant;
// this package runs nothing and reads no file.
//
// # What must hold
//
//   - A value that is written down is, once PHP has read it, the same value, bit by bit.
//   - Nothing of the file is changed but for what is put in: a row with perhaps the comma
//     before it, a method, a line of import.
//   - The new text is in the style of the file: its line ends, its indentation, how it
//     calls assertions, marks and names tests, and imports classes.
//   - Above each test stands [mutate.Question]: it pins what the code does, which need not be
//     what it should do.
//   - Same files, same finding, same bytes.
package testcode
