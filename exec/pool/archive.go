package pool

import (
	"archive/tar"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/klauspost/compress/zstd"
)

// Bounds says how much an archive may hold.
type Bounds struct {
	Packed  int64 // bytes of the archive itself
	Bytes   int64 // of all files in it
	Entries int   // files, folders and links
}

// Usual are bounds that a project with its packages stays well below.
var Usual = Bounds{Packed: 2 << 30, Bytes: 8 << 30, Entries: 1_000_000}

// mostWindow bounds the memory, in bytes, that reading an archive takes.
const mostWindow = 64 << 20

// Pack writes an archive of some files, folders and links below root, named relative to it with
// "/". The same files give the same bytes.
func Pack(w io.Writer, root string, names []string, most Bounds) error {
	if len(names) > most.Entries {
		return fmt.Errorf("the project has %d files; a pool takes %d at most", len(names), most.Entries)
	}
	z, err := zstd.NewWriter(w, zstd.WithEncoderConcurrency(1))
	if err != nil {
		return err
	}
	t := tar.NewWriter(z)
	left := most.Bytes
	for _, name := range slices.Sorted(slices.Values(names)) {
		n, err := packOne(t, root, name)
		if left -= n; err == nil && left < 0 {
			err = fmt.Errorf("the project has more than %d bytes, which is what a pool takes at most", most.Bytes)
		}
		if err != nil {
			return err
		}
	}
	return errors.Join(t.Close(), z.Close())
}

func packOne(t *tar.Writer, root, name string) (int64, error) {
	if err := checkName(name); err != nil {
		return 0, err
	}
	abs := filepath.Join(root, filepath.FromSlash(name))
	info, err := os.Lstat(abs)
	if err != nil {
		return 0, err
	}
	h := &tar.Header{Name: name, Mode: int64(info.Mode().Perm()), ModTime: info.ModTime().Truncate(time.Second), Format: tar.FormatPAX}
	switch {
	case info.Mode().IsRegular():
		h.Typeflag, h.Size = tar.TypeReg, info.Size()
	case info.IsDir():
		h.Typeflag, h.Name = tar.TypeDir, name+"/"
	case info.Mode()&fs.ModeSymlink != 0:
		h.Typeflag, h.Mode = tar.TypeSymlink, 0o777
		if h.Linkname, err = os.Readlink(abs); err == nil {
			err = checkLink(name, h.Linkname)
		}
		if err != nil {
			return 0, err
		}
	default:
		return 0, nil // a socket or a pipe is nothing without who uses it
	}
	if err := t.WriteHeader(h); err != nil || h.Typeflag != tar.TypeReg {
		return 0, err
	}
	f, err := os.Open(abs)
	if err != nil {
		return 0, err
	}
	defer f.Close()
	n, err := io.CopyN(t, f, h.Size)
	if err != nil {
		err = fmt.Errorf("%s: it changed while it was read: %w", abs, err)
	}
	return n, err
}

// checkName refuses a name that is not plainly one below a folder.
func checkName(name string) error {
	if name == "" || len(name) > 4096 || strings.ContainsRune(name, 0) || name != path.Clean(name) || !filepath.IsLocal(name) || name == "." {
		return fmt.Errorf("%.200q is no name of a file in a project", name)
	}
	return nil
}

// checkLink refuses a link that leads, by its text, out of the folder.
func checkLink(name, to string) error {
	if to == "" || len(to) > 4096 || path.IsAbs(to) || !filepath.IsLocal(path.Join(path.Dir(name), to)) && path.Join(path.Dir(name), to) != "." {
		return fmt.Errorf("%.200q is a link that leads out of the project, to %.200q", name, to)
	}
	return nil
}

// Unpack writes what an archive holds into dir, which exists, and nothing anywhere else,
// whatever the archive says.
func Unpack(r io.Reader, dir string, most Bounds) error {
	root, err := os.OpenRoot(dir)
	if err != nil {
		return err
	}
	defer root.Close()
	packed := &io.LimitedReader{R: r, N: most.Packed + 1}
	z, err := zstd.NewReader(packed, zstd.WithDecoderConcurrency(1), zstd.WithDecoderMaxWindow(mostWindow))
	if err != nil {
		return err
	}
	defer z.Close()
	u := &unpacking{root: root, most: most, left: most.Bytes}
	// What is between files counts as well: headers may be long.
	plain := &io.LimitedReader{R: z, N: most.Bytes + 4096*int64(most.Entries+1)}
	t := tar.NewReader(plain)
	for {
		h, err := t.Next()
		if err == io.EOF {
			break
		}
		if err == nil {
			err = u.one(h, t)
		}
		if packed.N <= 0 || plain.N <= 0 {
			err = fmt.Errorf("an archive is larger than is allowed")
		}
		if err != nil {
			return err
		}
	}
	return u.end()
}

// unpacking is the state of an Unpack.
type unpacking struct {
	root    *os.Root
	most    Bounds
	left    int64
	entries int
	links   []string
	folders []*tar.Header
}

func (u *unpacking) one(h *tar.Header, r io.Reader) error {
	if u.entries++; u.entries > u.most.Entries {
		return fmt.Errorf("an archive has more than %d entries", u.most.Entries)
	}
	name := strings.TrimSuffix(h.Name, "/")
	if err := checkName(name); err != nil {
		return err
	}
	mode := fs.FileMode(h.Mode) & 0o777
	switch h.Typeflag {
	case tar.TypeDir:
		u.folders = append(u.folders, h)
		return u.root.MkdirAll(name, 0o755)
	case tar.TypeSymlink:
		if err := checkLink(name, h.Linkname); err != nil {
			return err
		}
		u.links = append(u.links, name)
		if err := u.root.MkdirAll(path.Dir(name), 0o755); err != nil {
			return err
		}
		return u.root.Symlink(h.Linkname, name)
	case tar.TypeReg:
	default:
		return fmt.Errorf("%.200q is neither a file nor a folder nor a link", name)
	}
	if u.left -= h.Size; h.Size < 0 || u.left < 0 {
		return fmt.Errorf("an archive holds more than %d bytes", u.most.Bytes)
	}
	if err := u.root.MkdirAll(path.Dir(name), 0o755); err != nil {
		return err
	}
	f, err := u.root.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	_, err = io.CopyN(f, r, h.Size)
	if err := errors.Join(err, f.Chmod(mode), f.Close()); err != nil {
		return err
	}
	return u.root.Chtimes(name, h.ModTime, h.ModTime)
}

// end sets what would have been in the way before, and looks where links lead: each by its text
// leads nowhere outside, but several together could.
func (u *unpacking) end() error {
	for _, name := range u.links {
		if _, err := u.root.Stat(name); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return fmt.Errorf("%.200q is a link that leads out of the project, or nowhere: %w", name, err)
		}
	}
	slices.Reverse(u.folders)
	for _, h := range u.folders {
		name := strings.TrimSuffix(h.Name, "/")
		if err := errors.Join(u.root.Chmod(name, fs.FileMode(h.Mode)&0o777|0o700), u.root.Chtimes(name, h.ModTime, h.ModTime)); err != nil {
			return err
		}
	}
	return nil
}
