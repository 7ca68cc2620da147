//go:build linux

package sandbox

import (
	"errors"
	"fmt"
	"os"
	"path"
	"path/filepath"
	"slices"
	"sort"
	"strings"
	"time"

	"golang.org/x/sys/unix"
)

// Mode says how a worker gets a project tree of its own.
type Mode uint8

const (
	Unset   Mode = iota
	Auto         // overlay where the machine can, else copy; see Probe
	Overlay      // private namespaces, an overlay over the project's own path, a /tmp of its own
	Copy         // a private copy at another path, no namespaces
)

func (m Mode) String() string {
	switch m {
	case Unset:
		return "unset"
	case Auto:
		return "auto"
	case Overlay:
		return "overlay"
	case Copy:
		return "copy"
	}
	panic(fmt.Sprintf("sandbox: view mode %d", uint8(m)))
}

// ParseMode reads "auto", "overlay" or "copy".
func ParseMode(s string) (Mode, error) {
	for _, m := range []Mode{Auto, Overlay, Copy} {
		if m.String() == s {
			return m, nil
		}
	}
	return Unset, fmt.Errorf("view %q: unknown, use auto, overlay or copy", s)
}

// Spec says which view a supervisor is to open. Mode, Root and Dir are needed.
type Spec struct {
	Mode Mode
	// Root is the project: an absolute path. Symbolic links in it are resolved
	// by Command, so that PHP sees the real path as it does without us.
	Root string
	// Around, unless it is "", is a directory that Root lies in: what is in it the
	// project needs at the same place relative to itself, so that a copy takes it along.
	// It is not for the tests to write.
	Around string
	// Dir is an existing empty directory that belongs to this worker alone, not
	// inside Root nor around it. Whatever a killed supervisor leaves is in it:
	// remove it with RemoveTree.
	Dir string
	// Keep lists absolute paths of files and directories that must stay visible,
	// read-only, although they are below a temp directory that the view
	// replaces. Paths elsewhere are visible anyway and may be listed too.
	Keep []string
	// Skip lists slash paths below Root that a copy leaves out; an overlay has
	// no need of it and shows everything.
	Skip []string
	// MemoryLimit bounds, in bytes, what may be written in an overlay view and
	// in its temp directories (they live in memory); 0 means a quarter of the
	// machine's memory, 2 GiB at most. Negative: they live in Dir, unbounded.
	MemoryLimit int64
	// Confinement is what the processes started through a Guard are kept from, and,
	// in an overlay view, all other processes below the supervisor in part.
	Confinement Confinement
}

// A Change is one difference between the view and the pristine project.
type Change struct {
	Place string // "project", or the path of the temp directory
	Path  string // relative to the place, with slashes; "." is the place itself
	What  string // created, deleted, changed, mode, times
}

func (c Change) String() string { return c.Place + ": " + c.Path + " " + c.What }

// View is a worker's private image of the project, seen from the supervisor. It is
// for one goroutine. Its methods must be called when no process of the tests is
// writing: after KillStrays.
type View struct {
	mode    Mode
	root    string
	temp    string
	notes   []string
	project *tree
	around  *tree // of a copy, if it is not kept from being written; or nil
	temps   []*tree
	swapped map[string]swapped // by resolved path
	swaps   int64              // how often files were swapped

	confinement Confinement
}

// original is what Restore puts back.
type original struct {
	data []byte
	meta meta
}

// swapped is a file that has other bytes for now.
type swapped struct {
	original original
	data     []byte
	seen     meta // its stat with these
}

// Root is the absolute path at which the worker finds the project: in an
// overlay the project's own.
func (v *View) Root() string { return v.root }

// Temp is the worker's own temp directory, for TMPDIR.
func (v *View) Temp() string { return v.temp }

// Notes lists, for the report, a sentence each, what the view could not do on
// this machine, or not as well.
func (v *View) Notes() []string { return v.notes }

func newView(mode Mode, root, temp string, project *tree, temps []*tree) *View {
	v := &View{
		mode: mode, root: root, temp: temp, project: project, temps: temps,
		swapped: map[string]swapped{},
	}
	if project.watch == nil {
		v.notes = append(v.notes, fmt.Sprintf("Every file is looked at after every mutant, which takes time, because directories cannot be watched: %v.", project.unwatched))
	}
	return v
}

// Swap writes new bytes to files of the project, in the view only. Keys are
// slash paths relative to the root and must name existing regular files (inside
// the project; symbolic links on the way are followed as in the pristine tree).
// Modes stay. The time of change becomes a whole second that is later than the file's own,
// so that caches keyed by time notice, and another at each swap, and that lies in the past,
// for tests compare it with the clock; as far as the file's own leaves room for that. Swapping a file again before
// Restore replaces its bytes. On error the files swapped so far stay swapped:
// call Restore.
func (v *View) Swap(files map[string][]byte) error {
	names := make([]string, 0, len(files))
	for name := range files {
		names = append(names, name)
	}
	sort.Strings(names)
	v.swaps++
	for _, name := range names {
		rel, err := v.project.base.resolve(name)
		if err != nil {
			return fmt.Errorf("swap %s: %w", name, err)
		}
		old, ok := v.swapped[rel]
		if !ok {
			if old.original, err = v.project.base.read(rel); err != nil {
				return fmt.Errorf("swap %s: %w", name, err)
			}
			v.swapped[rel] = old
		}
		m := old.original.meta
		m.mtime = swapTime(m.mtime/1e9, v.swaps, time.Now().Unix()) * 1e9
		now, err := v.project.write(rel, files[name], m)
		if err != nil {
			return fmt.Errorf("swap %s: %w", name, err)
		}
		v.project.trust(rel, now)
		v.swapped[rel] = swapped{old.original, files[name], now}
	}
	return nil
}

// Only has some files swapped and no others, as Restore and Swap together would. Files that
// have these very bytes already, and that nobody has touched since, are left as they are.
func (v *View) Only(files map[string][]byte) error {
	stays, missing := map[string]bool{}, map[string][]byte{}
	for name, data := range files {
		rel, err := v.project.base.resolve(name)
		if err != nil {
			return fmt.Errorf("swap %s: %w", name, err)
		}
		if is, ok := v.swapped[rel]; ok && isSame(is.data, data) && v.project.isStill(rel, is.seen) {
			stays[rel] = true
		} else {
			missing[name] = data
		}
	}
	if err := v.restore(stays); err != nil {
		return err
	}
	return v.Swap(missing)
}

// isSame reports whether two slices are the same piece of memory, which nobody writes to.
func isSame(a, b []byte) bool { return len(a) == len(b) && (len(a) == 0 || &a[0] == &b[0]) }

// Add writes a new file into a folder of the project, in the view only. The name is a slash
// path relative to the root; symbolic links on the way to the folder are followed as in the
// pristine tree. The file counts as damage: Repair removes it. It is an error where there is
// such a file.
func (v *View) Add(name string, data []byte) error {
	dir, err := v.project.base.resolve(path.Dir(name))
	if err == nil {
		err = v.project.add(path.Join(dir, path.Base(name)), data)
	}
	if err != nil {
		return fmt.Errorf("add %s: %w", name, err)
	}
	return nil
}

// swapTime gives the second at which a file of some time of change counts as changed in a
// swap of some number. All are in seconds.
func swapTime(own, swap, now int64) int64 {
	if room := now - 1 - own; room > 1 {
		return own + 1 + swap%room
	}
	return own + 1
}

// Restore puts every swapped file back: same bytes, mode and time of change.
// A file that a test has meanwhile deleted, or replaced by something that is
// not a regular file, is left alone: Damage lists it and Repair mends it.
func (v *View) Restore() error { return v.restore(nil) }

// restore does so with all but some, by resolved path.
func (v *View) restore(but map[string]bool) error {
	names := make([]string, 0, len(v.swapped))
	for rel := range v.swapped {
		if !but[rel] {
			names = append(names, rel)
		}
	}
	sort.Strings(names)
	for _, rel := range names {
		old := v.swapped[rel]
		now, err := v.project.write(rel, old.original.data, old.original.meta)
		switch {
		case err == nil:
			v.project.trust(rel, now)
		case isMeddled(err):
			v.project.doubt(rel)
		default:
			return fmt.Errorf("restore %s: %w", rel, err)
		}
		delete(v.swapped, rel)
	}
	return nil
}

// isMeddled reports whether err means that a path is no longer the plain
// writable file it was, or that a test took all the space to write it.
func isMeddled(err error) bool {
	for _, e := range []error{unix.ENOENT, unix.ENOTDIR, unix.ELOOP, unix.EISDIR, unix.ENXIO,
		unix.EACCES, unix.EPERM, unix.ETXTBSY, unix.ENOSPC, unix.EDQUOT, errNotRegular} {
		if errors.Is(err, e) {
			return true
		}
	}
	return false
}

// Damage lists what differs from the pristine state besides the files that Swap
// has in hand: in the project, and anything left in the temp directories. It
// returns nil when nothing happened, which it finds out by comparing the stat of
// the entries that could have changed (an overlay's upper layer; the whole of a
// copy).
func (v *View) Damage() ([]Change, error) {
	all, err := v.project.changes()
	if err != nil {
		return nil, err
	}
	for _, t := range v.others() {
		some, err := t.changes()
		if err != nil {
			return nil, err
		}
		all = append(all, some...)
	}
	return all, nil
}

// others are the trees besides the project's, the temp directories first: they may hold
// all the space there is.
func (v *View) others() []*tree {
	out := slices.Clone(v.temps)
	if v.around != nil {
		out = append(out, v.around)
	}
	return out
}

// Repair undoes all that Damage lists, through the worker's own mount. It fails
// when something cannot be put back; the worker must then be replaced.
func (v *View) Repair() error {
	for _, t := range append(v.others(), v.project) {
		list, err := t.changes()
		if err != nil {
			return err
		}
		if len(list) == 0 {
			continue
		}
		if err := t.repair(list); err != nil {
			return err
		}
		if list, err = t.changes(); err != nil {
			return err
		}
		if len(list) > 0 {
			return fmt.Errorf("view not repaired: %v", list[0])
		}
	}
	return nil
}

// Accept makes the present state the pristine one: what a bootstrap wrote in
// the project or in the temp directory before the first fork belongs to every
// child's start. Swapped files are accepted as they are: Restore no longer
// touches them, and a later Swap starts from them.
func (v *View) Accept() error {
	for _, t := range append([]*tree{v.project}, v.others()...) {
		list, err := t.changes()
		if err != nil {
			return err
		}
		if t == v.project {
			list = append(list, v.takeSwapped()...)
		}
		if err := t.accept(list); err != nil {
			return err
		}
	}
	return nil
}

// takeSwapped lists the swapped files as changes and forgets their originals.
func (v *View) takeSwapped() []Change {
	var list []Change
	for rel := range v.swapped {
		list = append(list, Change{v.project.place, rel, "changed"})
	}
	v.swapped = map[string]swapped{}
	sort.Slice(list, func(i, j int) bool { return list[i].Path < list[j].Path })
	return list
}

// Close gives back what the supervisor holds open. The layers vanish with the
// namespace; a copy stays in Spec.Dir for the owner of that directory.
func (v *View) Close() error {
	var first error
	for _, t := range append([]*tree{v.project}, v.others()...) {
		if err := t.close(); err != nil && first == nil {
			first = err
		}
	}
	return first
}

// checkSpec resolves the paths of a spec and refuses what no view can serve.
func checkSpec(spec Spec) (Spec, error) {
	if spec.Mode != Overlay && spec.Mode != Copy {
		return spec, fmt.Errorf("view mode %v: want overlay or copy (Probe chooses)", spec.Mode)
	}
	for _, p := range []*string{&spec.Root, &spec.Dir} {
		if !filepath.IsAbs(*p) {
			return spec, fmt.Errorf("view: %q is not an absolute path", *p)
		}
		real, err := filepath.EvalSymlinks(*p)
		if err != nil {
			return spec, fmt.Errorf("view: %w", err)
		}
		info, err := os.Stat(real)
		if err != nil {
			return spec, fmt.Errorf("view: %w", err)
		}
		if !info.IsDir() {
			return spec, fmt.Errorf("view: %s is not a directory", real)
		}
		*p = real
	}
	if spec.Around != "" {
		real, err := filepath.EvalSymlinks(spec.Around)
		if err != nil {
			return spec, fmt.Errorf("view: %w", err)
		}
		if spec.Around = real; !Within(real, spec.Root) {
			return spec, fmt.Errorf("view: the project %s does not lie in %s", spec.Root, real)
		}
	}
	if spec.Root == "/" {
		return spec, errors.New("view: the project cannot be the root directory /")
	}
	if Within(spec.Root, spec.Dir) || Within(spec.Dir, spec.Root) {
		return spec, fmt.Errorf("view: the worker's directory %s and the project %s must not contain each other", spec.Dir, spec.Root)
	}
	if whole, _ := spec.whole(); spec.Mode == Copy && Within(whole, spec.Dir) {
		return spec, fmt.Errorf("view: the worker's directory %s must not lie in %s", spec.Dir, whole)
	}
	for _, p := range spec.Keep {
		if !filepath.IsAbs(p) {
			return spec, fmt.Errorf("view: %q to be kept is not an absolute path", p)
		}
	}
	return spec, nil
}

// whole gives the directory that a copy copies, and where in it the project is.
func (s Spec) whole() (dir, below string) {
	if s.Around == "" {
		return s.Root, "."
	}
	below, err := filepath.Rel(s.Around, s.Root)
	if err != nil {
		panic(err) // both are absolute
	}
	return s.Around, below
}

// Within reports whether p is dir or lies below it. Both are absolute and clean, and
// no link is followed.
func Within(dir, p string) bool {
	return p == dir || dir == "/" || strings.HasPrefix(p, dir+"/")
}
