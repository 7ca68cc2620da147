//go:build unix && !linux

package exec

import (
	"io"
	"os"

	"golang.org/x/sys/unix"
)

// copyData fills the empty file to with the first size bytes of from.
func copyData(to, from *os.File, size int64) error {
	_, err := io.CopyN(to, from, size)
	return err
}

func openBeneath(int, string, int) (int, error) { return -1, unix.ENOSYS }

// setFileTime sets the times of an open file, rel below root.
func setFileTime(_, root int, rel string, mtime int64) error {
	dir, name, err := openParent(root, rel)
	if err != nil {
		return err
	}
	defer unix.Close(dir)
	return setTime(dir, name, mtime)
}
