//go:build linux

package sandbox

import (
	"strconv"

	"golang.org/x/sys/unix"
)

// A watcher tells that something happened in a set of directories; what it was,
// a scan finds out. It saves the scan when nothing did.
//
// Closing after writing is watched besides writing, for a mapped file is
// written without a call. Not seen is a write through a second name outside the
// watched directories.
type watcher struct {
	fd  int
	buf [4096]byte
}

const watched = unix.IN_MODIFY | unix.IN_CLOSE_WRITE | unix.IN_ATTRIB | unix.IN_CREATE | unix.IN_DELETE |
	unix.IN_MOVED_FROM | unix.IN_MOVED_TO | unix.IN_DELETE_SELF | unix.IN_MOVE_SELF

func newWatcher() (*watcher, error) {
	fd, err := unix.InotifyInit1(unix.IN_CLOEXEC | unix.IN_NONBLOCK)
	if err != nil {
		return nil, err
	}
	return &watcher{fd: fd}, nil
}

// add watches an open directory.
func (w *watcher) add(dir int) error {
	_, err := unix.InotifyAddWatch(w.fd, "/proc/self/fd/"+strconv.Itoa(dir), watched)
	return err
}

// drain empties the queue and reports whether anything was in it.
func (w *watcher) drain() bool {
	any := false
	for {
		n, err := unix.Read(w.fd, w.buf[:])
		switch {
		case err == unix.EINTR:
		case err == unix.EAGAIN:
			return any
		case err != nil || n <= 0:
			return true // nothing is known any more, so something may have happened
		default:
			any = true
		}
	}
}

func (w *watcher) close() error { return unix.Close(w.fd) }
