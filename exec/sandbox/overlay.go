//go:build linux

package sandbox

import (
	"errors"
	"fmt"
	"slices"
	"strconv"

	"golang.org/x/sys/unix"
)

// The overlay view is put together by the first stage of a supervisor, which has
// the right to mount in its new namespaces. It leaves behind open directories
// (layers) and goes on as the second stage, which has no rights of a user namespace.

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

// enterOverlay builds the view in the namespaces that this process is in.
func enterOverlay(spec Spec) (layers, error) {
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
	if err := leaveLayers(spec, ownMount); err != nil || !spec.Confinement.Mounts {
		return l, err
	}
	return l, makeReadOnly(spec, temps, held)
}

// stack makes a fresh directory for the layers the working directory, and mounts
// the overlay at "merged" there. That directory is in memory where that serves,
// else on disk in the worker's directory. It reports whether it is a mount of its
// own.
func (l *layers) stack(spec Spec) (ownMount bool, err error) {
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
			return false, fmt.Errorf("layers on disk: %w", err)
		}
	}
	if onDisk := l.stackIn(spec); onDisk != nil {
		return false, fmt.Errorf("overlay in memory: %w; on disk: %w", inMem, onDisk)
	}
	return spec.Confinement.Mounts, nil
}

// stackInMemory is stackIn on a file system of its own over spec.Dir, which is
// taken away again when that fails.
func (l *layers) stackInMemory(spec Spec, limit int64) error {
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
func (l *layers) stackIn(spec Spec) error {
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

// open opens the layers for the second stage; the descriptors survive exec, if it takes one.
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

// leaveLayers takes the directory of the layers out of the tree of mounts and goes
// to the project.
func leaveLayers(spec Spec, ownMount bool) error {
	points := []string{"lower", "merged"}
	if ownMount {
		points = []string{"."}
	}
	for _, p := range points {
		if err := unix.Unmount(p, unix.MNT_DETACH); err != nil {
			return fmt.Errorf("leave the layers: %w", err)
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
func openOverlay(spec Spec, l layers) (*View, error) {
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
	v := newView(Overlay, spec.Root, temp, t, temps)
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
