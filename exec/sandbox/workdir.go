//go:build linux

package sandbox

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"sync"
	"time"

	"golang.org/x/sys/unix"
)

// A WorkDir is a directory below the temp directory for what a process needs while it
// lives. The process holds a lock on it: one that is not locked has been left by a process
// that was killed.
type WorkDir struct {
	Path string
	lock *os.File
	keep bool
}

// workMark is a file in a work directory that is to be removed when nobody holds it. It is
// made under the lock: a directory that has neither it nor anything else has just been made, or
// its process was killed before that.
const workMark = ".removed-when-unlocked"

var workName = regexp.MustCompile(`^assay-[0-9]+$`)

// held are the work directories of this process.
var held = struct {
	sync.Mutex
	dirs map[*WorkDir]bool
	over bool // see Abandon
}{dirs: map[*WorkDir]bool{}}

// MakeWorkDir makes one, and removes those of this user that processes have left which
// were killed. keep: it is to stay for people to look at, however this process ends.
func MakeWorkDir(keep bool) (*WorkDir, error) {
	top, err := filepath.Abs(os.TempDir())
	if err != nil {
		return nil, err
	}
	removeAbandoned(top)
	held.Lock()
	defer held.Unlock()
	if held.over {
		return nil, errors.New("this process is about to end")
	}
	path, lock, err := lockNew(top)
	if err != nil {
		return nil, err
	}
	w := &WorkDir{Path: path, lock: lock, keep: keep}
	if !keep {
		if err := os.WriteFile(filepath.Join(w.Path, workMark), nil, 0o600); err != nil {
			return nil, errors.Join(err, w.lock.Close(), RemoveTree(w.Path))
		}
	}
	held.dirs[w] = true
	return w, nil
}

// lockNew makes a directory and locks it.
func lockNew(top string) (path string, lock *os.File, err error) {
	for {
		if path, err = os.MkdirTemp(top, "assay-"); err != nil {
			return "", nil, err
		}
		lock, err = lockDir(path, unix.LOCK_EX)
		switch there := isThere(path); {
		case err == nil && there:
			return path, lock, nil
		case err == nil:
			lock.Close() // another process took it for one that was left
		case there:
			return "", nil, errors.Join(err, os.Remove(path))
		}
	}
}

// lockDir opens a directory that is this user's own and locks it; how is of flock(2).
func lockDir(path string, how int) (*os.File, error) {
	fd, err := unix.Open(path, unix.O_RDONLY|unix.O_DIRECTORY|unix.O_NOFOLLOW|unix.O_CLOEXEC, 0)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	f := os.NewFile(uintptr(fd), path)
	m, err := statFd(fd)
	if err == nil && int(m.uid) != os.Geteuid() {
		err = unix.EPERM
	}
	for err == nil {
		if err = unix.Flock(fd, how); err != unix.EINTR {
			break
		}
		err = nil
	}
	if err != nil {
		f.Close()
		return nil, fmt.Errorf("lock %s: %w", path, err)
	}
	return f, nil
}

// removeAbandoned removes work directories that nobody holds. What cannot be removed is left
// to the next.
func removeAbandoned(top string) {
	entries, err := os.ReadDir(top)
	if err != nil {
		return
	}
	for _, e := range entries {
		if !e.IsDir() || !workName.MatchString(e.Name()) {
			continue
		}
		path := filepath.Join(top, e.Name())
		lock, err := lockDir(path, unix.LOCK_EX|unix.LOCK_NB)
		if err != nil {
			continue
		}
		if isThere(filepath.Join(path, workMark)) {
			removeFor(path, patience)
		} else {
			os.Remove(path) // fails where something is in it
		}
		lock.Close()
	}
}

// removeFor ends processes that still work in a directory and removes it. They may be
// writing into it until they have ended, so it is tried again for some time.
func removeFor(path string, limit time.Duration) {
	for end := time.Now().Add(limit); isThere(path); time.Sleep(time.Millisecond) {
		KillRemains(path)
		if RemoveTree(path); time.Now().After(end) {
			return
		}
	}
}

// Remove ends processes that still work in the directory and removes it, unless it is to
// be kept. It may be called again.
func (w *WorkDir) Remove() error {
	held.Lock()
	there := held.dirs[w]
	held.Unlock()
	if !there {
		return nil
	}
	defer w.lock.Close()
	var err error
	if !w.keep {
		_, err = KillRemains(w.Path)
		err = errors.Join(err, RemoveTree(w.Path))
	}
	held.Lock()
	delete(held.dirs, w)
	held.Unlock()
	return err
}

// Abandon ends all processes that this one has started and removes its work directories,
// for one that is about to end at once. It takes some seconds at most. What is started
// meanwhile ends with this process.
func Abandon() {
	end := time.Now().Add(patience)
	for alive := true; alive && time.Now().Before(end); time.Sleep(time.Millisecond) {
		alive = false
		for _, pid := range childrenOf(os.Getpid()) {
			if p, ok := readProc(pid); ok && !p.dead() {
				alive = true
				KillTree(pid)
			}
		}
	}
	held.Lock()
	defer held.Unlock()
	held.over = true
	for w := range held.dirs {
		if w.keep {
			continue
		}
		removeFor(w.Path, time.Until(end)) // somebody else may be removing it, too
	}
}

func isThere(path string) bool {
	_, err := os.Lstat(path)
	return err == nil
}
