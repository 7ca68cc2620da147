//go:build linux

package sandbox

import (
	"encoding/binary"
	"io/fs"
	"path/filepath"
	"slices"
	"strings"

	"golang.org/x/sys/unix"
)

// Everything stands among paths for all there are.
const Everything = "*"

// An OpenWatch tells which files and directories of a view are opened, by whatever
// process. In the project's vendor, node_modules and .git only the first level
// is watched: other records stand for what is below.
//
// It is for one goroutine. Not seen is who only asks whether a file is there, or how large it is.
type OpenWatch struct {
	fd    int // -1: there is no watching
	root  string
	dirs  map[int32]string // watch => directory, relative to the root
	seen  map[string]bool
	all   bool // something was lost: everything may have been opened
	stale bool // a watched directory has gone; what is in its place is not watched yet
	buf   [1 << 16]byte
}

// opening is what is asked for besides IN_OPEN to keep the watches in order.
const opening = unix.IN_OPEN | unix.IN_DELETE_SELF | unix.IN_MOVE_SELF

// WatchOpens watches the directories below root. Where that cannot be had the
// answer to every question is that everything may have been opened.
func WatchOpens(root string) *OpenWatch {
	o := &OpenWatch{root: root, dirs: map[int32]string{}, seen: map[string]bool{}}
	var err error
	if o.fd, err = unix.InotifyInit1(unix.IN_CLOEXEC | unix.IN_NONBLOCK); err != nil {
		o.fd = -1
		return o
	}
	o.watch()
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
		unix.Close(o.fd)
		o.fd = -1
	}
	o.read() // our own looking around
	clear(o.seen)
}

// Take gives what was opened since the last call, sorted: files, and
// directories with a slash at the end, relative to the root; Everything alone where
// that is not known.
func (o *OpenWatch) Take() []string {
	if o.fd >= 0 {
		o.read()
	}
	if o.fd < 0 || o.all {
		o.all = false
		clear(o.seen)
		return []string{Everything}
	}
	out := make([]string, 0, len(o.seen))
	for name := range o.seen {
		out = append(out, name)
	}
	clear(o.seen)
	slices.Sort(out)
	return out
}

// Settle forgets what was opened while the view was put in order, and watches
// what stands in the place of directories that have gone.
func (o *OpenWatch) Settle() {
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
	for {
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
			o.seen[dir+"/"] = true
		case mask&unix.IN_ISDIR != 0:
			o.seen[filepath.ToSlash(filepath.Join(dir, name))+"/"] = true
		default:
			o.seen[filepath.ToSlash(filepath.Join(dir, name))] = true
		}
	}
}
