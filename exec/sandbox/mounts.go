//go:build linux

package sandbox

import (
	"bufio"
	"bytes"
	"fmt"
	"os"
	"strconv"
	"strings"

	"golang.org/x/sys/unix"
)

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
		if p := unescapeOctal(f[4]); p != root && Within(root, p) {
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
