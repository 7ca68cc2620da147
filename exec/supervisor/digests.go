//go:build linux

package supervisor

import (
	"crypto/sha256"
	"encoding/hex"
	"io"
	"os"
	"path/filepath"
	"syscall"
	"time"
)

// mostHashed bounds, in bytes, how much of a file is looked at.
const mostHashed = 1 << 20

// mostFiles bounds how many files below a directory that was made are looked at.
const mostFiles = 2000

// digests remembers digests of files, so that a file which is as it was is not read at every
// stop of a replay: a suite that leaves a thousand files would have them all read a thousand
// times.
type digests map[string]remembered

type remembered struct {
	stamp  stamp
	digest string
}

// stamp is what a file has anew when it is written or replaced: stat(2).
type stamp struct {
	device, inode    uint64
	size             int64
	mode             uint32
	modified, status syscall.Timespec
}

// settled is how old the time of a change has to be for another one to get another time. The
// kernel's clock for files goes on with its ticks, of which there are 100 a second at least.
const settled = 50 * time.Millisecond

// add notes a file or, where it is a directory that is new, all that is below it.
func (d digests) add(out map[string]string, name, path string) {
	info, err := os.Lstat(path)
	if err != nil {
		out[name] = ""
		return
	}
	out[name] = info.Mode().String()
	switch {
	case info.Mode().IsRegular():
		out[name] = d.of(path, info)
	case info.IsDir():
		entries, err := os.ReadDir(path)
		if err != nil {
			return
		}
		for _, e := range entries {
			if len(out) < mostFiles {
				d.add(out, name+"/"+e.Name(), filepath.Join(path, e.Name()))
			}
		}
	}
}

// of gives the digest of a regular file.
func (d digests) of(path string, info os.FileInfo) string {
	st := info.Sys().(*syscall.Stat_t)
	now := stamp{uint64(st.Dev), st.Ino, st.Size, st.Mode, st.Mtim, st.Ctim}
	mode := info.Mode().String()
	if was, ok := d[path]; ok && was.stamp == now {
		return was.digest
	}
	delete(d, path)
	began := time.Now()
	f, err := os.Open(path)
	if err != nil {
		return "unread " + mode
	}
	defer f.Close()
	h := sha256.New()
	io.Copy(h, io.LimitReader(f, mostHashed))
	digest := hex.EncodeToString(h.Sum(nil)[:8]) + mode
	if began.Sub(time.Unix(st.Ctim.Unix())) > settled {
		d[path] = remembered{now, digest}
	}
	return digest
}
