//go:build linux

// Package supervisor runs PHP in a view of the project and watches over it. It starts
// processes, passes on what they say, holds them to their limits, puts files in place
// for them and puts back what they damage. It decides nothing: whoever asks says what
// to run next.
//
// A supervisor is a process of its own, in a sandbox; Start gives a Client for it. It
// does one thing at a time, a request and then a reply.
//
// The first process has PHPUnit loaded and nothing of the project. From it a walker is
// forked, which builds the suite and walks through it, as PHPUnit runs it, up to the
// boundary that it is told. A walker can be kept: then a process that is forked from it goes on
// in its place, and it can be returned to. Where a walker stands it makes replays: processes that take over
// from there with a mutant chosen. A replay that plays goes on with the suite and stops
// behind each segment that it has run. A batch runs copies of tests for many mutants,
// one after the other. A replay may also be made of the first process, and builds the
// suite itself then; where PHP cannot fork it is a first process.
package supervisor
