//go:build unix && !linux

package exec

import (
	"io"
	"os"
)

// copyData fills the empty file to with the first size bytes of from.
func copyData(to, from *os.File, size int64) error {
	_, err := io.CopyN(to, from, size)
	return err
}
