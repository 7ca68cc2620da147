//go:build linux

package sandbox

import (
	"encoding/binary"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"golang.org/x/sys/unix"
)

// Everything stands among paths for all there are.
const Everything = "*"

// An OpenWatch tells which files and directories of a view are opened, by whatever
// process. In the project's vendor, node_modules and .git only the first level
// is watched: other records stand for what is below.
//
// Not seen is who only asks whether a file is there, or how large it is.
type OpenWatch struct {
	root string
	mu   sync.Mutex // for what follows

	fd    int // -1: there is no watching
	file  *os.File
	dirs  map[int32]string // watch => directory, relative to the root
	seen  map[string]int   // how often
	all   bool             // something was lost: everything may have been opened
	stale bool             // a watched directory has gone; what is in its place is not watched yet
	buf   [1 << 16]byte
}

const (
	// opening is what is asked for besides IN_OPEN: to keep the watches in order, and to count, for
	// the kernel makes one event of two that are alike and follow one another.
	opening = unix.IN_OPEN | unix.IN_CLOSE | unix.IN_DELETE_SELF | unix.IN_MOVE_SELF
	// readEvery is how long events wait in the kernel, which keeps 16,384 of them and then loses
	// what comes.
	readEvery = 50 * time.Millisecond
)

// WatchOpens watches the directories below root. Where that cannot be had the
// answer to every question is that everything may have been opened.
func WatchOpens(root string) *OpenWatch {
	o := &OpenWatch{root: root, dirs: map[int32]string{}, seen: map[string]int{}}
	var err error
	if o.fd, err = unix.InotifyInit1(unix.IN_CLOEXEC | unix.IN_NONBLOCK); err != nil {
		o.fd = -1
		return o
	}
	o.file = os.NewFile(uintptr(o.fd), "inotify")
	o.watch()
	if conn, err := o.file.SyscallConn(); err == nil && o.fd >= 0 {
		go conn.Read(func(uintptr) bool {
			time.Sleep(readEvery)
			o.mu.Lock()
			defer o.mu.Unlock()
			o.read()
			return o.fd < 0
		})
	}
	return o
}

// watch adds the directories that are there now; those that are watched stay.
func (o *OpenWatch) watch() {
	o.stale = false
	err := filepath.WalkDir(o.root, func(path string, d fs.DirEntry, err error) error {
		if err != nil || !d.IsDir() {
			return nil // what we cannot read, the tests cannot
		}
		rel, err := filepath.Rel(o.root, path)
		if err != nil {
			return err
		}
		wd, err := unix.InotifyAddWatch(o.fd, path, opening|unix.IN_ONLYDIR)
		if err == unix.ENOENT || err == unix.EACCES {
			return nil
		}
		if err != nil {
			return err
		}
		o.dirs[int32(wd)] = filepath.ToSlash(rel)
		switch rel {
		case "vendor", "node_modules", ".git":
			return filepath.SkipDir
		}
		return nil
	})
	if err != nil {
		o.file.Close()
		o.fd = -1
	}
	o.read() // our own looking around
	clear(o.seen)
}

// Take gives what was opened since the last call, sorted: files, and
// directories with a slash at the end, relative to the root; Everything alone where
// that is not known.
func (o *OpenWatch) Take() []string { return slices.Sorted(maps.Keys(o.Count())) }

// Count gives the same, with how often each was opened.
func (o *OpenWatch) Count() map[string]int {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.read()
	out := o.seen
	o.seen = map[string]int{}
	if o.fd < 0 || o.all {
		o.all = false
		return map[string]int{Everything: 1}
	}
	return out
}

// Settle forgets what was opened while the view was put in order, and watches
// what stands in the place of directories that have gone.
func (o *OpenWatch) Settle() {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.fd < 0 {
		return
	}
	o.read()
	if o.stale {
		o.watch()
	}
	o.all = false
	clear(o.seen)
}

// read empties the queue.
func (o *OpenWatch) read() {
	for o.fd >= 0 {
		n, err := unix.Read(o.fd, o.buf[:])
		switch {
		case err == unix.EINTR:
		case err == unix.EAGAIN:
			return
		case err != nil || n <= 0:
			o.all = true
			return
		default:
			o.note(o.buf[:n])
		}
	}
}

// note takes in events, as inotify(7) lays them out.
func (o *OpenWatch) note(b []byte) {
	for len(b) >= unix.SizeofInotifyEvent {
		wd := int32(binary.NativeEndian.Uint32(b))
		mask := binary.NativeEndian.Uint32(b[4:])
		end := unix.SizeofInotifyEvent + int(binary.NativeEndian.Uint32(b[12:]))
		name := strings.TrimRight(string(b[unix.SizeofInotifyEvent:end]), "\x00")
		b = b[end:]
		dir, known := o.dirs[wd]
		switch {
		case mask&unix.IN_Q_OVERFLOW != 0:
			o.all = true
		case mask&unix.IN_IGNORED != 0:
			delete(o.dirs, wd)
			o.stale = true
		case mask&(unix.IN_DELETE_SELF|unix.IN_MOVE_SELF) != 0:
			o.stale = true
		case mask&unix.IN_OPEN == 0 || !known:
		case name == "":
			o.seen[dir+"/"]++
		case mask&unix.IN_ISDIR != 0:
			o.seen[filepath.ToSlash(filepath.Join(dir, name))+"/"]++
		default:
			o.seen[filepath.ToSlash(filepath.Join(dir, name))]++
		}
	}
}
