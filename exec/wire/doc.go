// Package wire has the messages between assay and PHP, as types. It has no logic
// beyond reading and writing them.
//
// A supervisor and its PHP processes exchange one JSON value a line over an abstract
// Unix socket. Every PHP process makes a connection of its own and names the token
// that it was given as its first line; one that is started gets another one with its Setup.
// Lines from PHP are headed by that token and
// preceded by an empty line; whatever is not is somebody else's bytes and is dropped.
// Messages to PHP are objects (Setup, Order); messages from PHP are arrays, whose
// first element names them. A path that is not UTF-8 is a zero byte and base64, in
// either direction:
//
//	["hello", pid, protocol]                  the process is there
//	["unfit", why]                            it cannot work
//	["ready", files, version, foreign]        PHPUnit is loaded, and nothing of the project
//	["suite", ...]                            the suite has been built; see Suite
//	["segment", n, next, µs, points, files, changes, used, unknown, foreign, held]
//	                                          while recording: segment n is over; waits
//	["tail", point]                           and a point is passed behind the last of them
//	["values", sites, literals]               values that observed expressions had, behind the last test
//	["refused", mutants]                      and those of whose values some could not be worked out
//	["at", boundary, changes, held]           stops before a segment; waits for orders
//	["forked", id, pid], ["nofork", id]       a child was made, or could not be
//	["exited", id, status, signal, faults]    it ended; status -1 when by a signal; faults are
//	                                          its minor page faults
//	["start", test, name]                     a test begins
//	["ran", list, name]                       several tests began and ended; see Order.Long
//	["end", test, µs, assertions]
//	["event", test, kind, fatal, message, name]   error, failure, warning, risky, incomplete, skipped
//	["part", k, changes, held, points, left]   the tests of mutant k of a batch are over; waits
//	["swap", k]                               has its file swapped in first; waits
//	["runaway", point]                        a loop goes round far too often; it kills itself
//	["bottomless"]                            its calls are within calls without end; likewise
//	["done", ...]                             all tests were run; see Done
//	["calls", json]                           calls that the suite has made; see CallRecorder.php
//	["recorded"]                              these were all
//	["proof", json]                           what came of the inputs of one job; see Prover.php
//	["last", message]                         the fatal error that ended the process
//	["ended"]                                 all is done and said; it kills itself
//
// The first message names the protocol; a supervisor refuses any but its own.
package wire
