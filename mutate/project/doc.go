// Package project finds out what a PHP project consists of: where its root is,
// which of its files are source, which are tests, and which PHP and PHPUnit
// run them.
//
// What comes in is a directory and the user's options; what goes out is a
// [Project]. Facts are taken, in this order, from the options, from
// phpunit.xml (or its .dist forms) and from composer.json. Nothing is run and
// nothing is written.
//
// # What counts as source
//
// What phpunit.xml names: <source>, <coverage>, or the older
// <filter><whitelist>. If it names nothing, what composer.json's "autoload"
// names. Taken away from that: the vendor directory, the files and directories
// of the test suites and of "autoload-dev", "exclude-from-classmap", hidden
// directories, generated code, and files that hold no code.
//
// A symbolic link is followed when it leads to a place inside the root; each
// file then appears once, under its real path.
//
// # Errors and notes
//
// What stops a run is an [Error], which says what is wrong, where, and what to
// do. [Find] reports all it sees at once, joined. What merely changes the
// picture (a file that could not be read, a directory that is not there) is a
// [mutate.Note] in Project.Notes.
package project
