//go:build linux

package sandbox

import (
	"fmt"
	"os"
	"path/filepath"
	"sort"
	"strconv"
	"strings"

	"golang.org/x/sys/unix"
)

// tempPlaces are replaced by empty private directories: the two temp directories
// of the Filesystem Hierarchy Standard 3.0 (3.18, 5.15) and where glibc keeps
// POSIX shared memory. The first is the view's Temp.
var tempPlaces = []string{"/tmp", "/var/tmp", "/dev/shm"}

// realTemps lists the temp directories that this machine has and the view can
// replace, without links and without doubles.
func realTemps(spec Spec) ([]string, error) {
	var list []string
	for _, p := range tempPlaces {
		real, err := filepath.EvalSymlinks(p)
		if err != nil {
			continue
		}
		double := false
		for _, other := range list {
			double = double || Within(other, real) || Within(real, other)
		}
		if double {
			continue
		}
		if Within(spec.Root, real) {
			return nil, fmt.Errorf("the project %s contains the temp directory %s", spec.Root, real)
		}
		for _, k := range spec.Keep {
			if Within(filepath.Clean(k), real) {
				return nil, fmt.Errorf("%s cannot be kept visible: it contains the temp directory %s", k, real)
			}
		}
		list = append(list, real)
	}
	if len(list) == 0 {
		return nil, fmt.Errorf("none of the temp directories %s exists", strings.Join(tempPlaces, ", "))
	}
	return list, nil
}

// Hides reports whether an overlay view shows something else at a path unless Spec.Keep
// has it: it lies below a temp directory. The path is absolute.
func Hides(path string) bool {
	for _, p := range tempPlaces {
		if real, err := filepath.EvalSymlinks(p); err == nil {
			p = real
		}
		if clean := filepath.Clean(path); clean != p && Within(p, clean) {
			return true
		}
	}
	return false
}

// kept is a path that must show again after its temp directory was replaced.
type kept struct {
	path, source string
	dir          bool
}

// coverTemps puts private directories over the temp directories, shows again
// what must stay visible there, and puts the overlay over the project.
func coverTemps(spec Spec, temps []string) error {
	list, err := holdKept(spec, temps)
	if err != nil {
		return err
	}
	for i, t := range temps {
		d := tempDir(i)
		if err := unix.Mkdir(d, 0o700); err != nil && err != unix.EEXIST {
			return fmt.Errorf("make %s: %w", d, err)
		}
		m, err := statAt(unix.AT_FDCWD, t)
		if err != nil {
			return err
		}
		if err := unix.Chmod(d, m.perm()); err != nil {
			return err
		}
		if err := unix.Mount(d, t, "", unix.MS_BIND, ""); err != nil {
			return fmt.Errorf("private %s: %w", t, err)
		}
	}
	list = append(list, kept{path: spec.Root, source: "merged", dir: true})
	sort.SliceStable(list, func(i, j int) bool { return len(list[i].path) < len(list[j].path) })
	for _, k := range list {
		if err := mountPoint(k); err != nil {
			return fmt.Errorf("show %s: %w", k.path, err)
		}
		if err := unix.Mount(k.source, k.path, "", unix.MS_BIND|unix.MS_REC, ""); err != nil {
			return fmt.Errorf("show %s: %w", k.path, err)
		}
	}
	return nil
}

func tempDir(i int) string { return "temp" + strconv.Itoa(i) }

// holdKept binds, before they are covered, the paths to be kept to places among
// the layers.
func holdKept(spec Spec, temps []string) ([]kept, error) {
	var list []kept
	seen := map[string]bool{}
	for _, k := range spec.Keep {
		real, err := filepath.EvalSymlinks(k)
		if err != nil {
			return nil, fmt.Errorf("keep visible: %w", err)
		}
		info, err := os.Stat(real)
		if err != nil {
			return nil, fmt.Errorf("keep visible: %w", err)
		}
		for _, p := range []string{real, filepath.Clean(k)} {
			if seen[p] || Within(spec.Root, p) || !below(temps, p) {
				continue
			}
			seen[p] = true
			at := "keep/" + strconv.Itoa(len(list))
			entry := kept{path: p, source: at, dir: info.IsDir()}
			if err := mountPoint(kept{path: at, dir: entry.dir}); err != nil {
				return nil, err
			}
			if err := bindReadOnly(real, at); err != nil {
				return nil, err
			}
			list = append(list, entry)
		}
	}
	return list, nil
}

func below(dirs []string, p string) bool {
	for _, d := range dirs {
		if Within(d, p) {
			return true
		}
	}
	return false
}

// mountPoint makes sure that there is something to mount over.
func mountPoint(k kept) error {
	if _, err := os.Lstat(k.path); err == nil {
		return nil
	}
	if k.dir {
		return os.MkdirAll(k.path, 0o755)
	}
	if err := os.MkdirAll(filepath.Dir(k.path), 0o755); err != nil {
		return err
	}
	return os.WriteFile(k.path, nil, 0o644)
}
