//go:build linux

package main

// Before it runs any code of ours Go opens /dev/null in place of a standard output that is
// closed, and a report would go nowhere without a word. So it is looked at before that.

// #include <errno.h>
// #include <fcntl.h>
//
// static int closed;
//
// __attribute__((constructor)) static void look_at_output(void) {
//	closed = fcntl(1, F_GETFD) == -1 && errno == EBADF;
// }
//
// static int output_was_closed(void) { return closed; }
import "C"

// outputWasClosed reports whether this program was started without a standard output.
func outputWasClosed() bool { return C.output_was_closed() != 0 }
