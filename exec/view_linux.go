package exec

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"sort"
	"strconv"
	"strings"

	"golang.org/x/sys/unix"
)

// The overlay view is put together by the first stage of a keeper, which has
// the right to mount in its new namespaces. It leaves behind open directories
// (layers) and goes on as the second stage, which has no rights of its own.

// layers are the open directories that the second stage works with. Nothing in
// the namespace has a path to them.
type layers struct {
	Lower, Upper, Store int
	Temps               []tempLayer
	UserXattr           bool
	Notes               []string
}

type tempLayer struct {
	Place string
	Fd    int
}

// tempPlaces are replaced by empty private directories: the two temp directories
// of the Filesystem Hierarchy Standard 3.0 (3.18, 5.15) and where glibc keeps
// POSIX shared memory. The first is the view's Temp.
var tempPlaces = []string{"/tmp", "/var/tmp", "/dev/shm"}

// enterOverlay builds the view in the namespaces that this process is in.
func enterOverlay(spec ViewSpec) (layers, error) {
	if err := unix.Mount("", "/", "", unix.MS_REC|unix.MS_PRIVATE, ""); err != nil {
		return layers{}, fmt.Errorf("make mounts private: %w", err)
	}
	if err := refuseSubmounts(spec.Root); err != nil {
		return layers{}, err
	}
	temps, err := realTemps(spec)
	if err != nil {
		return layers{}, err
	}
	held := heldWritable{}
	inTemps := func(p string) bool { return below(temps, p) && !slices.Contains(temps, p) }
	if spec.Confinement.Mounts {
		if err := held.hold(spec.Confinement.Write, inTemps); err != nil {
			return layers{}, err
		}
	}
	var l layers
	ownMount, err := l.stack(spec)
	if err != nil {
		return l, err
	}
	if err := coverTemps(spec, temps); err != nil {
		return l, err
	}
	if err := coverSockets(spec.Confinement.Sockets); err != nil {
		return l, err
	}
	if err := unix.Mount("proc", "/proc", "proc", unix.MS_NOSUID|unix.MS_NODEV|unix.MS_NOEXEC, ""); err != nil {
		l.Notes = append(l.Notes, "Tests see the machine's processes in /proc, because workers could get no /proc of their own: "+err.Error()+".")
	}
	if err := l.open(temps); err != nil {
		return l, err
	}
	if err := leaveStage(spec, ownMount); err != nil || !spec.Confinement.Mounts {
		return l, err
	}
	return l, makeReadOnly(spec, temps, held)
}

// stack mounts the overlay at "merged" in a fresh stage, which becomes the
// working directory. The stage is in memory where that serves, else on disk in
// the worker's directory. It reports whether the stage is a mount of its own.
func (l *layers) stack(spec ViewSpec) (ownMount bool, err error) {
	limit := spec.MemoryLimit
	if limit == 0 {
		limit = defaultMemoryLimit()
	}
	inMem := errors.New("not wanted")
	if limit > 0 {
		if inMem = l.stackInMemory(spec, limit); inMem == nil {
			return true, nil
		}
	}
	if spec.Confinement.Mounts {
		// So that it stays writable when the mount that it is on does not.
		if err := unix.Mount(spec.Dir, spec.Dir, "", unix.MS_BIND, ""); err != nil {
			return false, fmt.Errorf("stage on disk: %w", err)
		}
	}
	if onDisk := l.stackIn(spec); onDisk != nil {
		return false, fmt.Errorf("overlay in memory: %w; on disk: %w", inMem, onDisk)
	}
	return spec.Confinement.Mounts, nil
}

// stackInMemory is stackIn on a file system of its own over spec.Dir, which is
// taken away again when that fails.
func (l *layers) stackInMemory(spec ViewSpec, limit int64) error {
	opts := "mode=0700,size=" + strconv.FormatInt(limit, 10)
	if err := unix.Mount("assay", spec.Dir, "tmpfs", unix.MS_NOSUID|unix.MS_NODEV, opts); err != nil {
		return fmt.Errorf("mount tmpfs: %w", err)
	}
	err := l.stackIn(spec)
	if err == nil {
		return nil
	}
	if e := unix.Chdir("/"); e != nil {
		return errors.Join(err, e)
	}
	if e := unix.Unmount(spec.Dir, unix.MNT_DETACH); e != nil {
		return errors.Join(err, e)
	}
	return err
}

// stackIn makes the layers in spec.Dir and mounts them at "merged" there. Paths
// are relative to it, so that no character in a path can spoil the options.
func (l *layers) stackIn(spec ViewSpec) error {
	if err := unix.Chdir(spec.Dir); err != nil {
		return err
	}
	for _, d := range []string{"lower", "merged", "upper", "work", "kept", "keep"} {
		if err := unix.Mkdir(d, 0o700); err != nil && err != unix.EEXIST {
			return fmt.Errorf("make layer %s: %w", d, err)
		}
	}
	if err := bindReadOnly(spec.Root, "lower"); err != nil {
		return err
	}
	var err error
	if l.UserXattr, err = mountOverlay(); err != nil {
		if e := unix.Unmount("lower", unix.MNT_DETACH); e != nil {
			return errors.Join(err, e)
		}
	}
	return err
}

// mountOverlay mounts the layers at "merged". It reports whether the overlay
// keeps its marks in user attributes, as it must in a user namespace, ours or
// one that the whole machine is in.
func mountOverlay() (userXattr bool, err error) {
	// Without these attributes the overlay mounts, and fails later on.
	for _, mark := range []string{"trusted.overlay.probe", "user.overlay.probe"} {
		if err = unix.Setxattr("upper", mark, []byte("y"), 0); err == nil {
			err = unix.Removexattr("upper", mark)
			break
		}
		userXattr = true
	}
	if err != nil {
		return false, fmt.Errorf("attributes of the upper layer: %w", err)
	}
	if err := likeOriginal("upper", "lower"); err != nil {
		return false, err
	}
	// volatile: no fsync at each copy up. redirect_dir: a directory of the
	// project can be renamed, as on any file system; needs trusted attributes.
	extra := []string{",volatile,redirect_dir=on,metacopy=off,index=off", ",redirect_dir=on", ""}
	if userXattr {
		extra = []string{",volatile,userxattr", ",userxattr"}
	}
	for _, e := range extra {
		opts := "lowerdir=lower,upperdir=upper,workdir=work" + e
		if err = unix.Mount("assay", "merged", "overlay", unix.MS_NOSUID|unix.MS_NODEV, opts); err == nil {
			return userXattr, nil
		}
	}
	return false, fmt.Errorf("mount overlay: %w", err)
}

// likeOriginal gives the upper layer's top the owner, mode and time of the
// project's, for they show through.
func likeOriginal(upper, lower string) error {
	m, err := statAt(unix.AT_FDCWD, lower)
	if err != nil {
		return err
	}
	if m.uid != uint32(unix.Geteuid()) || m.gid != uint32(unix.Getegid()) {
		if err := unix.Chown(upper, int(m.uid), int(m.gid)); err != nil {
			return fmt.Errorf("the project belongs to another user (uid %d): %w", m.uid, err)
		}
	}
	if err := unix.Chmod(upper, m.perm()); err != nil {
		return err
	}
	return setTime(unix.AT_FDCWD, upper, m.mtime)
}

// bindReadOnly shows from at to, read-only. Flags that the mount already has
// must be repeated, or a user namespace refuses.
func bindReadOnly(from, to string) error {
	if err := unix.Mount(from, to, "", unix.MS_BIND|unix.MS_REC, ""); err != nil {
		return fmt.Errorf("bind %s: %w", from, err)
	}
	var st unix.Statfs_t
	if err := unix.Statfs(to, &st); err != nil {
		return fmt.Errorf("bind %s: %w", from, err)
	}
	flags := uintptr(unix.MS_BIND | unix.MS_REMOUNT | unix.MS_RDONLY)
	for _, f := range []struct{ has, give uintptr }{
		{unix.ST_NOSUID, unix.MS_NOSUID}, {unix.ST_NODEV, unix.MS_NODEV}, {unix.ST_NOEXEC, unix.MS_NOEXEC},
		{unix.ST_NOATIME, unix.MS_NOATIME}, {unix.ST_NODIRATIME, unix.MS_NODIRATIME}, {unix.ST_RELATIME, unix.MS_RELATIME},
	} {
		if uintptr(st.Flags)&f.has != 0 {
			flags |= f.give
		}
	}
	if err := unix.Mount("", to, "", flags, ""); err != nil {
		return fmt.Errorf("make %s read-only: %w", from, err)
	}
	return nil
}

// realTemps lists the temp directories that this machine has and the view can
// replace, without links and without doubles.
func realTemps(spec ViewSpec) ([]string, error) {
	var list []string
	for _, p := range tempPlaces {
		real, err := filepath.EvalSymlinks(p)
		if err != nil {
			continue
		}
		double := false
		for _, other := range list {
			double = double || within(other, real) || within(real, other)
		}
		if double {
			continue
		}
		if within(spec.Root, real) {
			return nil, fmt.Errorf("the project %s contains the temp directory %s", spec.Root, real)
		}
		for _, k := range spec.Keep {
			if within(filepath.Clean(k), real) {
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

// kept is a path that must show again after its temp directory was replaced.
type kept struct {
	path, source string
	dir          bool
}

// coverTemps puts private directories over the temp directories, shows again
// what must stay visible there, and puts the overlay over the project.
func coverTemps(spec ViewSpec, temps []string) error {
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

// holdKept binds, before they are covered, the paths to be kept to places in
// the stage.
func holdKept(spec ViewSpec, temps []string) ([]kept, error) {
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
			if seen[p] || within(spec.Root, p) || !below(temps, p) {
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
		if within(d, p) {
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

// open opens the layers for the second stage; the descriptors survive exec.
func (l *layers) open(temps []string) error {
	for _, d := range []struct {
		path string
		fd   *int
	}{{"lower", &l.Lower}, {"upper", &l.Upper}, {"kept", &l.Store}} {
		fd, err := unix.Open(d.path, unix.O_RDONLY|unix.O_DIRECTORY, 0)
		if err != nil {
			return fmt.Errorf("open layer %s: %w", d.path, err)
		}
		*d.fd = fd
	}
	for i, t := range temps {
		fd, err := unix.Open(tempDir(i), unix.O_RDONLY|unix.O_DIRECTORY, 0)
		if err != nil {
			return fmt.Errorf("open layer of %s: %w", t, err)
		}
		l.Temps = append(l.Temps, tempLayer{t, fd})
	}
	return nil
}

// leaveStage takes the stage out of the tree of mounts and goes to the project.
func leaveStage(spec ViewSpec, ownMount bool) error {
	points := []string{"lower", "merged"}
	if ownMount {
		points = []string{"."}
	}
	for _, p := range points {
		if err := unix.Unmount(p, unix.MNT_DETACH); err != nil {
			return fmt.Errorf("leave the stage: %w", err)
		}
	}
	if err := unix.Chdir(spec.Root); err != nil {
		return fmt.Errorf("enter the view: %w", err)
	}
	var st unix.Statfs_t
	if err := unix.Statfs(".", &st); err != nil {
		return err
	}
	if st.Type != unix.OVERLAYFS_SUPER_MAGIC {
		return fmt.Errorf("the view at %s is not an overlay (file system type %#x)", spec.Root, st.Type)
	}
	return nil
}

// refuseSubmounts refuses a project that has mounts below it: an overlay would
// show what those hide.
func refuseSubmounts(root string) error {
	data, err := os.ReadFile("/proc/self/mountinfo")
	if err != nil {
		return err
	}
	s := bufio.NewScanner(bytes.NewReader(data))
	s.Buffer(nil, 1<<20)
	for s.Scan() {
		// proc(5): the fifth field is the mount point, with \ooo for blanks.
		f := strings.Fields(s.Text())
		if len(f) < 5 {
			continue
		}
		if p := unescapeOctal(f[4]); p != root && within(root, p) {
			return fmt.Errorf("another file system is mounted inside the project, at %s", p)
		}
	}
	return s.Err()
}

func unescapeOctal(s string) string {
	var b strings.Builder
	for i := 0; i < len(s); i++ {
		if s[i] == '\\' && i+3 < len(s) {
			if n, err := strconv.ParseUint(s[i+1:i+4], 8, 8); err == nil {
				b.WriteByte(byte(n))
				i += 3
				continue
			}
		}
		b.WriteByte(s[i])
	}
	return b.String()
}

func defaultMemoryLimit() int64 {
	const most = 2 << 30
	var info unix.Sysinfo_t
	if err := unix.Sysinfo(&info); err != nil {
		return most
	}
	return min(most, int64(info.Totalram)*int64(info.Unit)/4)
}

// openOverlay makes the View of the second stage from the layers that the first
// one left.
func openOverlay(spec ViewSpec, l layers) (*View, error) {
	fds := []int{l.Lower, l.Upper, l.Store}
	for _, t := range l.Temps {
		fds = append(fds, t.Fd)
	}
	for _, fd := range fds {
		unix.CloseOnExec(fd)
	}
	merged, err := openPath(spec.Root)
	if err != nil {
		return nil, err
	}
	base := newPristine(l.Lower, l.Store)
	base.prefix, base.root = "project-", spec.Root
	t := newTree("project", base, l.Upper, merged)
	t.layered = true
	t.xattr = "trusted.overlay."
	if l.UserXattr {
		t.xattr = "user.overlay."
	}
	if list, err := t.changes(); err != nil {
		return nil, err
	} else if len(list) > 0 {
		return nil, fmt.Errorf("fresh overlay is not pristine: %v", list[0])
	}
	temp, temps := "", []*tree{}
	for _, tl := range l.Temps {
		s, err := newTempTree(tl.Place, tl.Fd, l.Store)
		if err != nil {
			return nil, err
		}
		if temps = append(temps, s); temp == "" {
			temp = tl.Place
		}
	}
	v := newView(ViewOverlay, spec.Root, temp, t, temps)
	v.notes = append(v.notes, l.Notes...)
	return v, nil
}

// hasMark reports whether an entry of the upper layer bears an attribute of the
// overlay's own: opaque, redirect.
func (t *tree) hasMark(rel, mark string) bool {
	fd, err := openAt(t.scan, rel, unix.O_RDONLY|unix.O_DIRECTORY, 0)
	if err != nil {
		return false
	}
	defer unix.Close(fd)
	var buf [4096]byte
	n, err := unix.Fgetxattr(fd, t.xattr+mark, buf[:])
	return err == nil && n > 0
}
