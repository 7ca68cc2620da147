//go:build linux

package sandbox

import (
	"fmt"
	"os"
	"path"
	"slices"
	"sort"

	"golang.org/x/sys/unix"
)

// A tree is one directory whose state must stay as it is: the project, or a
// temp directory. The tree remembers the stat of every entry it has verified,
// so that looking for changes is one stat an entry.
type tree struct {
	place string
	base  *pristine
	scan  int // where changes show: an overlay's upper layer, or the directory itself
	via   int // where repairs are written: the merged mount, or the directory itself
	// layered: scan holds only what differs from base; what it lacks is there.
	layered bool
	// looseDirs: times of directories do not count (temp directories).
	looseDirs bool
	except    string // what is there is another tree's; "" for none
	owner     bool   // compare owners: tests may change them
	xattr     string // prefix of the overlay's attributes
	top       *node
	watch     *watcher // nil: scan each time
	unwatched error    // why
	dirty     bool     // something happened since a scan found all well
	nodes     map[string]*node
	known     map[string]meta // verified by us, not yet seen by a scan
}

// node is one verified entry of tree.scan.
type node struct {
	rel  string
	seen meta // as verified; the zero value asks for a new look
	kids []*node
}

func newTree(place string, base *pristine, scan, via int) *tree {
	t := &tree{
		place: place, base: base, scan: scan, via: via, owner: mayChown(),
		nodes: map[string]*node{}, known: map[string]meta{},
	}
	t.watch, t.unwatched = newWatcher()
	return t
}

// trust records that rel is as it should be, with this stat.
func (t *tree) trust(rel string, m meta) {
	if n := t.nodes[rel]; n != nil {
		n.seen = m
		return
	}
	t.known[rel] = m
}

// doubt forgets what is known of rel, so that the next scan compares it.
func (t *tree) doubt(rel string) {
	delete(t.known, rel)
	if n := t.nodes[rel]; n != nil {
		n.seen = meta{}
	}
}

// write puts data and want's mode and time into an existing file and returns
// the stat by which a scan will know it.
func (t *tree) write(rel string, data []byte, want meta) (meta, error) {
	if t.watch != nil {
		t.dirty = t.watch.drain() || t.dirty
	}
	m, err := writeIn(t.via, rel, data, want)
	if err == nil && t.layered {
		m, err = statAt(t.scan, rel)
	}
	if err == nil && t.watch != nil && t.nodes[rel] != nil {
		t.watch.drain() // only what we did ourselves
	}
	return m, err
}

// isStill reports whether rel has the stat that write gave.
func (t *tree) isStill(rel string, seen meta) bool {
	now, err := statAt(t.scan, rel)
	return err == nil && now == seen
}

// add makes a file that is not there yet.
func (t *tree) add(rel string, data []byte) error {
	dir, name, err := openParent(t.via, rel)
	if err != nil {
		return err
	}
	defer unix.Close(dir)
	fd, err := openAt(dir, name, unix.O_WRONLY|unix.O_CREAT|unix.O_EXCL, 0o644)
	if err != nil {
		return err
	}
	defer unix.Close(fd)
	return writeAll(fd, data)
}

// changes lists the differences, parents before children.
func (t *tree) changes() ([]Change, error) {
	if t.watch != nil && t.top != nil {
		if t.dirty = t.watch.drain() || t.dirty; !t.dirty {
			return nil, nil
		}
	}
	var list []Change
	var err error
	if t.top == nil {
		t.top, err = t.look(".", nil, &list)
	} else {
		_, err = t.check(t.top, &list)
	}
	if err != nil {
		return nil, fmt.Errorf("%s: %w", t.place, err)
	}
	if t.top == nil {
		return nil, fmt.Errorf("%s: gone", t.place)
	}
	t.dirty = len(list) > 0
	return list, nil
}

// attend watches a directory from now on: in an overlay both as the tests see
// it, where writes show, and its upper layer, where it shows that something
// below came up for the first time.
func (t *tree) attend(rel string) {
	roots := []int{t.via}
	if t.layered {
		roots = append(roots, t.scan)
	}
	for _, root := range roots {
		if t.watch == nil {
			return
		}
		fd, err := openAt(root, rel, unix.O_RDONLY|unix.O_DIRECTORY, 0)
		if err == nil {
			err = t.watch.add(fd)
			unix.Close(fd)
		}
		if err != nil {
			t.watch.close()
			t.watch, t.unwatched = nil, err
		}
	}
}

// check compares stats, and looks closer only where they differ. It reports
// whether the entry is still one that n can stand for.
func (t *tree) check(n *node, list *[]Change) (bool, error) {
	now, err := statAt(t.scan, n.rel)
	if err != nil || now != n.seen || t.looseDirs && now.isDir() {
		fresh, err := t.look(n.rel, n, list)
		if err != nil {
			return false, err
		}
		if fresh == nil {
			t.forget(n)
		}
		return fresh != nil, nil
	}
	for _, k := range n.kids {
		if _, err := t.check(k, list); err != nil {
			return false, err
		}
	}
	return true, nil
}

// forget drops the nodes of an entry that is gone.
func (t *tree) forget(n *node) {
	n.seen = meta{}
	delete(t.nodes, n.rel)
	for _, k := range n.kids {
		t.forget(k)
	}
}

// reset makes the next scan begin from the ground, without reading again the
// files that were verified.
func (t *tree) reset() {
	for rel, n := range t.nodes {
		if n.seen != (meta{}) && !n.seen.isDir() {
			t.known[rel] = n.seen
		}
	}
	t.top, t.nodes = nil, map[string]*node{}
}

// look compares one entry, and what is below it, with the pristine state. The
// node it had, if any, is brought up to date. It returns nil when the entry gets
// none: absent, hidden or not wanted.
func (t *tree) look(rel string, n *node, list *[]Change) (*node, error) {
	want, wanted, err := t.base.stat(rel)
	if err != nil {
		return nil, err
	}
	now, err := statAt(t.scan, rel)
	switch {
	case err == unix.ENOENT || err == nil && t.layered && now.isWhiteout():
		if wanted {
			*list = append(*list, Change{t.place, rel, "deleted"})
		}
		return nil, nil
	case err != nil:
		return nil, fmt.Errorf("%s: %w", rel, err)
	case !wanted:
		*list = append(*list, Change{t.place, rel, "created"})
		return nil, nil
	case now.kind() != want.kind():
		*list = append(*list, Change{t.place, rel, "changed"})
		return nil, nil
	}
	if n == nil {
		n = &node{rel: rel}
		t.nodes[rel] = n
	}
	n.seen = now
	if now.isDir() {
		return n, t.lookInside(n, want, list)
	}
	if k, ok := t.known[rel]; ok && k == now {
		delete(t.known, rel)
		return n, nil
	}
	delete(t.known, rel)
	what, err := t.differs(rel, now, want)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", rel, err)
	}
	if what != "" {
		*list = append(*list, Change{t.place, rel, what})
		n.seen = meta{}
	}
	return n, nil
}

// lookInside is look for a directory that the pristine state has as one, too.
func (t *tree) lookInside(n *node, want meta, list *[]Change) error {
	before := len(*list)
	if usable, err := t.unlock(n, want); err != nil || !usable {
		return err
	}
	t.attend(n.rel)
	opaque, moved := false, false
	if t.layered && n.rel != "." {
		opaque = t.hasMark(n.rel, "opaque")
		moved = t.hasMark(n.rel, "redirect")
	}
	switch {
	case moved:
		*list = append(*list, Change{t.place, n.rel, "changed"})
	case t.rightsDiffer(n.seen, want):
		*list = append(*list, Change{t.place, n.rel, "mode"})
	case !t.looseDirs && n.seen.mtime != want.mtime:
		*list = append(*list, Change{t.place, n.rel, "times"})
	}
	old := make(map[string]*node, len(n.kids))
	for _, k := range n.kids {
		old[path.Base(k.rel)] = k
	}
	n.kids = nil
	if moved {
		n.seen = meta{}
		return nil
	}
	names, err := t.expected(n.rel, !t.layered || opaque)
	if err != nil {
		return fmt.Errorf("%s: %w", n.rel, err)
	}
	for _, name := range names {
		if t.except != "" && path.Join(n.rel, name) == t.except {
			continue
		}
		k, ok := old[name], true
		if k != nil {
			ok, err = t.check(k, list)
		} else {
			k, err = t.look(path.Join(n.rel, name), nil, list)
		}
		if err != nil {
			return err
		}
		if ok && k != nil {
			n.kids = append(n.kids, k)
		}
	}
	if len(*list) > before {
		n.seen = meta{} // until all is well, look inside again
	}
	return nil
}

// unlock makes sure that we can look into a directory from which a test took
// the owner's rights; its mode stays listed until repaired. It reports false for
// a directory that is closed in the pristine state, too.
func (t *tree) unlock(n *node, want meta) (bool, error) {
	const need = 0o500
	if n.seen.perm()&need == need || mayOverride() {
		return true, nil
	}
	if want.perm()&need != need {
		return false, nil
	}
	return true, chmodVia(t.via, n.rel, 0o700)
}

// expected lists, sorted, the names in a directory of scan together with those
// that the pristine state wants to be there.
func (t *tree) expected(rel string, all bool) ([]string, error) {
	fd, err := openAt(t.scan, rel, unix.O_RDONLY|unix.O_DIRECTORY, 0)
	if err != nil {
		return nil, err
	}
	names, err := listFd(fd)
	unix.Close(fd)
	if err != nil {
		return nil, err
	}
	more := t.base.savedIn(rel)
	if all {
		if more, err = t.base.names(rel); err != nil {
			return nil, err
		}
	}
	names = append(names, more...)
	sort.Strings(names)
	return slices.Compact(names), nil
}

func chmodVia(root int, rel string, mode uint32) error {
	dir, name, err := openParent(root, rel)
	if err != nil {
		return err
	}
	defer unix.Close(dir)
	return unix.Fchmodat(dir, name, mode, 0)
}

func (t *tree) rightsDiffer(now, want meta) bool {
	return now.perm() != want.perm() || t.owner && (now.uid != want.uid || now.gid != want.gid)
}

// differs says in which way an entry that is no directory is not as wanted.
func (t *tree) differs(rel string, now, want meta) (string, error) {
	if now.isLink() {
		a, err := readlinkAt(t.scan, rel)
		if err != nil {
			return "", err
		}
		b, err := t.base.readlink(rel)
		if err != nil {
			return "", err
		}
		if a != b {
			return "changed", nil
		}
	} else if now.isRegular() {
		if now.size != want.size {
			return "changed", nil
		}
		same, err := t.sameContent(rel, want)
		if err != nil {
			return "", err
		}
		if !same {
			return "changed", nil
		}
	} else if now.rdev != want.rdev {
		return "changed", nil
	}
	if !now.isLink() && t.rightsDiffer(now, want) {
		return "mode", nil
	}
	if now.mtime != want.mtime {
		return "times", nil
	}
	return "", nil
}

func (t *tree) sameContent(rel string, want meta) (bool, error) {
	if want.size == 0 {
		return true, nil
	}
	fd, err := openAt(t.scan, rel, unix.O_RDONLY|unix.O_NONBLOCK, 0)
	if err == unix.EACCES {
		// The owner cannot read it, so no test could: mode and size must do,
		// unless the pristine file can be read.
		return want.perm()&0o400 == 0, nil
	}
	if err != nil {
		return false, err
	}
	a := os.NewFile(uintptr(fd), rel)
	defer a.Close()
	b, err := t.base.open(rel)
	if err != nil {
		return false, err
	}
	defer b.Close()
	return sameBytes(a, b)
}

func (t *tree) close() error {
	var first error
	for _, fd := range []int{t.scan, t.via} {
		if err := unix.Close(fd); err != nil && first == nil && fd != t.scan {
			first = err
		}
	}
	if err := t.base.close(); err != nil && first == nil {
		first = err
	}
	if t.watch != nil {
		if err := t.watch.close(); err != nil && first == nil {
			first = err
		}
	}
	return first
}
