// Package report prints what a run found out. A whole [mutate.Result] comes
// in, bytes of one of the formats in [Formats] go out.
//
// # What must hold
//
//   - The same result gives the same bytes: everything is sorted here, no map
//     is ranged over into output, and no clock is read. Times are printed only
//     where [Options].Timings asks for them.
//   - A format only reads the result. Several may write the same one.
//   - What a PHP file holds is shown, never obeyed: control characters are
//     escaped before they can reach a terminal, markup before it can reach a
//     browser, a forge or a reader of XML.
//   - The page (html) fetches nothing and works from a file.
//   - A file is written whole or not at all ([WriteFile]).
//
// # What it does not do
//
// It judges nothing and runs nothing. Whether standard output is a terminal,
// how wide it is and whether colour is wanted is decided by the caller.
//
// The formats take the whole result at its end rather than verdict by verdict:
// verdicts fall in another order with each number of workers, and every format
// has to sort them first.
package report
