package pool

import (
	"archive/tar"
	"bytes"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/klauspost/compress/zstd"
)

// archived makes an archive as somebody else would, without a look at what is in it.
func archived(t *testing.T, headers ...tar.Header) []byte {
	t.Helper()
	var out bytes.Buffer
	z, err := zstd.NewWriter(&out)
	if err != nil {
		t.Fatal(err)
	}
	w := tar.NewWriter(z)
	for _, h := range headers {
		if h.Typeflag == tar.TypeReg {
			h.Size = 5
		}
		h.Mode = 0o644
		if err := w.WriteHeader(&h); err != nil {
			t.Fatal(err)
		}
		if h.Typeflag == tar.TypeReg {
			fmt.Fprint(w, "bytes")
		}
	}
	w.Close()
	z.Close()
	return out.Bytes()
}

func file(name string) tar.Header { return tar.Header{Name: name, Typeflag: tar.TypeReg} }
func link(name, to string) tar.Header {
	return tar.Header{Name: name, Typeflag: tar.TypeSymlink, Linkname: to}
}

// Nothing is written outside, whatever an archive says.
func TestHostileArchives(t *testing.T) {
	small := Bounds{Packed: 1 << 20, Bytes: 1 << 20, Entries: 10}
	for name, c := range map[string]struct {
		text []byte
		want string
	}{
		"above":              {archived(t, file("../out")), "is no name of a file"},
		"above, within":      {archived(t, file("a/../../out")), "is no name of a file"},
		"absolute":           {archived(t, file("/tmp/assay-out")), "is no name of a file"},
		"the folder itself":  {archived(t, tar.Header{Name: "./", Typeflag: tar.TypeDir}), "is no name of a file"},
		"not clean":          {archived(t, file("a//b")), "is no name of a file"},
		"a link above":       {archived(t, link("l", "../out")), "leads out of the project"},
		"a link, absolute":   {archived(t, link("l", "/etc/passwd")), "leads out of the project"},
		"a link to the root": {archived(t, link("l", "/")), "leads out of the project"},
		"a link of links": {archived(t, tar.Header{Name: "a/b/", Typeflag: tar.TypeDir}, link("a/b/c", "../.."), link("l", "a/b/c/../../x")),
			"leads out of the project"},
		"through a link": {archived(t, tar.Header{Name: "a/b/", Typeflag: tar.TypeDir}, link("a/b/c", "../.."), link("l", "a/b/c/../x"), file("l/out")), "escapes"},
		"a hard link":    {archived(t, tar.Header{Name: "l", Typeflag: tar.TypeLink, Linkname: "/etc/passwd"}), "neither a file nor"},
		"a device":       {archived(t, tar.Header{Name: "d", Typeflag: tar.TypeChar}), "neither a file nor"},
		"a pipe":         {archived(t, tar.Header{Name: "p", Typeflag: tar.TypeFifo}), "neither a file nor"},
		"twice":          {archived(t, file("a"), file("a")), "exists"},
		"over a link":    {archived(t, link("a", "b"), file("a")), "exists"},
		"many":           {archived(t, file("1"), file("2"), file("3"), file("4"), file("5"), file("6"), file("7"), file("8"), file("9"), file("10"), file("11")), "more than 10 entries"},
		"no archive":     {[]byte("hello"), "magic"},
		"nothing":        {nil, ""},
	} {
		t.Run(name, func(t *testing.T) {
			top := t.TempDir()
			dir := filepath.Join(top, "in")
			if err := os.Mkdir(dir, 0o755); err != nil {
				t.Fatal(err)
			}
			err := Unpack(bytes.NewReader(c.text), dir, small)
			if (c.want == "") != (err == nil) || err != nil && !strings.Contains(err.Error(), c.want) {
				t.Errorf("%v, want %q", err, c.want)
			}
			entries, err := os.ReadDir(top)
			if err != nil || len(entries) != 1 {
				t.Errorf("%v were written, %v", entries, err)
			}
		})
	}
}

// Sizes are bounded: of the archive, of what is in it, and of what is between.
func TestArchiveBounds(t *testing.T) {
	var bomb bytes.Buffer
	z, _ := zstd.NewWriter(&bomb)
	w := tar.NewWriter(z)
	w.WriteHeader(&tar.Header{Name: "big", Typeflag: tar.TypeReg, Size: 10 << 20, Mode: 0o644})
	w.Write(make([]byte, 10<<20))
	w.Close()
	z.Close()
	if bomb.Len() > 100<<10 {
		t.Fatalf("the bomb has %d bytes", bomb.Len())
	}
	if err := Unpack(bytes.NewReader(bomb.Bytes()), t.TempDir(), Bounds{Packed: 1 << 20, Bytes: 1 << 20, Entries: 10}); err == nil || !strings.Contains(err.Error(), "holds more than") {
		t.Errorf("%v", err)
	}
	if err := Unpack(bytes.NewReader(bomb.Bytes()), t.TempDir(), Bounds{Packed: 100, Bytes: 20 << 20, Entries: 10}); err == nil || !strings.Contains(err.Error(), "larger than") {
		t.Errorf("%v", err)
	}
	long := file("x")
	long.PAXRecords = map[string]string{"ASSAY.x": strings.Repeat("x", 900<<10)}
	text := archived(t, long)
	if err := Unpack(bytes.NewReader(text), t.TempDir(), Bounds{Packed: 1 << 20, Bytes: 1000, Entries: 2}); err == nil {
		t.Error("a long header is read to its end")
	}
}

// What was packed is unpacked as it was, and packed once more gives the same bytes.
func TestPackAndUnpack(t *testing.T) {
	from := t.TempDir()
	for name, mode := range map[string]fs.FileMode{"a.php": 0o644, "bin/run": 0o755, "deep/er/b": 0o600} {
		os.MkdirAll(filepath.Dir(filepath.Join(from, name)), 0o755)
		if err := os.WriteFile(filepath.Join(from, name), []byte("of "+name), mode); err != nil {
			t.Fatal(err)
		}
	}
	os.Mkdir(filepath.Join(from, "empty"), 0o755)
	os.Symlink("../a.php", filepath.Join(from, "deep/link"))
	names := []string{"deep/link", "bin", "a.php", "deep", "deep/er/b", "empty", "bin/run", "deep/er"}
	var one, two bytes.Buffer
	to := t.TempDir()
	if err := Pack(&one, from, names, Usual); err != nil {
		t.Fatal(err)
	}
	if err := Unpack(bytes.NewReader(one.Bytes()), to, Usual); err != nil {
		t.Fatal(err)
	}
	if err := Pack(&two, to, names, Usual); err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(one.Bytes(), two.Bytes()) {
		t.Error("what was unpacked is not what was packed")
	}
	os.Symlink("/etc", filepath.Join(from, "etc"))
	if err := Pack(&one, from, []string{"etc"}, Usual); err == nil || !strings.Contains(err.Error(), "leads out of the project") {
		t.Errorf("%v", err)
	}
	if err := Pack(&one, from, names, Bounds{Packed: 1 << 20, Bytes: 3, Entries: 100}); err == nil {
		t.Error("more is packed than is allowed")
	}
}
