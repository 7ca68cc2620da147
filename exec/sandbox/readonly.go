//go:build linux

package sandbox

import (
	"fmt"
	"os"
	"slices"

	"golang.org/x/sys/unix"
)

// heldWritable are the allowed places, cloned (open_tree(2)) as they were
// mounted before all became read-only: path => descriptor.
type heldWritable map[string]int

// holdWritable clones the allowed paths for which want says so.
func (h heldWritable) hold(paths []string, want func(path string) bool) error {
	for _, p := range paths {
		if !want(p) {
			continue
		}
		fd, err := unix.OpenTree(unix.AT_FDCWD, p, unix.OPEN_TREE_CLONE|unix.OPEN_TREE_CLOEXEC|unix.AT_RECURSIVE)
		if err != nil {
			return fmt.Errorf("allow writing to %s: %w", p, err)
		}
		h[p] = fd
	}
	return nil
}

// makeReadOnly makes every mount of this namespace read-only but the project's,
// the temp directories' and the allowed ones.
func makeReadOnly(spec Spec, temps []string, held heldWritable) error {
	outside := func(p string) bool { _, ok := held[p]; return !ok && !slices.Contains(temps, p) }
	if err := held.hold(spec.Confinement.Write, outside); err != nil {
		return err
	}
	// Nothing in the view gives rights; see dropPrivileges.
	all := unix.MountAttr{Attr_set: unix.MOUNT_ATTR_RDONLY | unix.MOUNT_ATTR_NOSUID}
	if err := unix.MountSetattr(unix.AT_FDCWD, "/", unix.AT_RECURSIVE, &all); err != nil {
		return fmt.Errorf("make mounts read-only: %w", err)
	}
	for _, p := range append([]string{spec.Root}, temps...) {
		if err := unix.MountSetattr(unix.AT_FDCWD, p, 0, &unix.MountAttr{Attr_clr: unix.MOUNT_ATTR_RDONLY}); err != nil {
			return fmt.Errorf("make %s writable: %w", p, err)
		}
	}
	// Shorter paths first: a place inside another one must come on top.
	paths := append([]string(nil), spec.Confinement.Write...)
	slices.Sort(paths)
	for _, p := range paths {
		fd, ok := held[p]
		if !ok {
			continue // a temp directory, which is private and writable
		}
		if err := showAgain(p, fd); err != nil {
			return fmt.Errorf("allow writing to %s: %w", p, err)
		}
	}
	return nil
}

func showAgain(path string, fd int) error {
	defer unix.Close(fd)
	m, err := statFd(fd)
	if err != nil {
		return err
	}
	if err := mountPoint(kept{path: path, dir: m.isDir()}); err != nil {
		return err
	}
	strict := unix.MountAttr{Attr_set: unix.MOUNT_ATTR_NOSUID | unix.MOUNT_ATTR_NODEV}
	if Within("/dev", path) {
		strict.Attr_set = unix.MOUNT_ATTR_NOSUID // it is for devices
	}
	if err := unix.MountSetattr(fd, "", unix.AT_EMPTY_PATH|unix.AT_RECURSIVE, &strict); err != nil {
		return err
	}
	return unix.MoveMount(fd, "", unix.AT_FDCWD, path, unix.MOVE_MOUNT_F_EMPTY_PATH)
}

// coverSockets puts a socket that nobody listens at over each of the given ones.
// It works in the directory of the layers.
func coverSockets(paths []string) error {
	if len(paths) == 0 {
		return nil
	}
	const dead = "dead-socket"
	if err := unix.Mknod(dead, unix.S_IFSOCK|0o666, 0); err != nil && err != unix.EEXIST {
		return fmt.Errorf("cover sockets: %w", err)
	}
	for _, p := range paths {
		err := unix.Mount(dead, p, "", unix.MS_BIND, "")
		if err != nil && !os.IsNotExist(err) { // its service may have ended just now
			return fmt.Errorf("cover socket %s: %w", p, err)
		}
	}
	return nil
}
