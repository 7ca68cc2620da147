//go:build linux

// Package sandboxtest has what tests of sandboxes share: a folder to be harmed,
// services to be called, a look at whether something was changed, and a way to run
// tests again as an ordinary user or on a machine that gives less. For tests only.
package sandboxtest

import (
	"bufio"
	"crypto/rand"
	"fmt"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"

	"golang.org/x/sys/unix"
)

// Outside makes a folder for attempts to harm, below no temp directory, with files and
// folders in it.
func Outside(t *testing.T) string {
	t.Helper()
	dir, err := os.MkdirTemp(Elsewhere(t), "assay-outside")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	for _, name := range strings.Fields("a b c d e f h i j dir/k l m n") {
		p := filepath.Join(dir, name)
		if err := os.MkdirAll(filepath.Dir(p), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(p, []byte("kept\n"), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.Mkdir(filepath.Join(dir, "empty"), 0o755); err != nil {
		t.Fatal(err)
	}
	return dir
}

// Elsewhere is a writable directory below none of the temp directories.
func Elsewhere(t *testing.T) string {
	t.Helper()
	if dir := os.Getenv("ASSAY_TEST_HOME"); dir != "" {
		return dir
	}
	dir, err := os.UserHomeDir()
	if err != nil {
		t.Fatal(err)
	}
	return dir
}

// Callees answer at a TCP and UDP port of this machine, at a socket file and at an
// abstract socket, whose name does not have its first byte here.
type Callees struct {
	Port           uint16
	File, Abstract string
	Calls          atomic.Int32 // over TCP
}

// Listen starts them, with the socket file below dir, until the test ends.
func Listen(t *testing.T, dir string) *Callees {
	t.Helper()
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	c := &Callees{File: filepath.Join(dir, "socket"), Abstract: "assay-test-" + rand.Text()}
	tcp, err := net.Listen("tcp", "127.0.0.1:0")
	must(err)
	c.Port = uint16(tcp.Addr().(*net.TCPAddr).Port)
	udp, err := net.ListenPacket("udp", tcp.Addr().String())
	must(err)
	file, err := net.Listen("unix", c.File)
	must(err)
	abstract, err := net.Listen("unix", "@"+c.Abstract)
	must(err)
	for _, l := range []net.Listener{tcp, file, abstract} {
		t.Cleanup(func() { l.Close() })
		go func() {
			for {
				conn, err := l.Accept()
				if err != nil {
					return
				}
				if l == tcp {
					c.Calls.Add(1)
				}
				line, _ := bufio.NewReader(conn).ReadString('\n')
				conn.Write([]byte(line))
				conn.Close()
			}
		}()
	}
	t.Cleanup(func() { udp.Close() })
	go func() {
		var buf [100]byte
		for {
			n, from, err := udp.ReadFrom(buf[:])
			if err != nil {
				return
			}
			udp.WriteTo(buf[:n], from)
		}
	}()
	return c
}

// Snapshot describes every entry below dir, for comparing: name, mode, owner, number,
// time of change and content.
func Snapshot(t testing.TB, dir string) string {
	t.Helper()
	var b strings.Builder
	err := filepath.WalkDir(dir, func(p string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		var st unix.Stat_t
		if err := unix.Lstat(p, &st); err != nil {
			return err
		}
		content := ""
		switch {
		case st.Mode&unix.S_IFMT == unix.S_IFLNK:
			content, err = os.Readlink(p)
		case st.Mode&unix.S_IFMT == unix.S_IFREG:
			var data []byte
			data, err = os.ReadFile(p)
			content = string(data)
		}
		rel, _ := filepath.Rel(dir, p)
		fmt.Fprintf(&b, "%s %o %d:%d %d %d %q\n", rel, st.Mode, st.Uid, st.Gid, st.Ino, st.Mtim.Nano(), content)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return b.String()
}
