//go:build linux

package main

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io/fs"
	"os"
	osexec "os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"
)

// A cell runs a project's test suite cold, as its owner would by hand: one
// PHP process, the whole suite, the owner's own configuration. Every run has a
// fresh copy of the project, standing at the project's own path, an empty temp
// directory and its own processes, mounts and message queues; the rest of the
// file system cannot be written, as it could not by an ordinary user. Nothing
// of the engine under test takes part.
type cell struct {
	root     string   // the project, which is never written
	dir      string   // the cell's own
	command  []string // PHP and PHPUnit with their options
	commands string   // the same for people
}

// A coldRun is how one run ended.
type coldRun struct {
	Exit   int
	Ended  bool // within its time
	Output string
	Took   time.Duration
}

// summary is how PHPUnit ends its report on a suite that it has run to the end,
// in colour where the configuration wants that.
var summary = regexp.MustCompile(`(?m)^(?:\x1b\[[\d;]*m)*(OK \(|OK, but |Tests: \d+, Assertions: \d+|No tests executed!)`)

// green is what a person would call so: the tests passed, all of them. A
// status of 0 alone says less, for the code under change may have ended the
// process.
func (r coldRun) green() bool { return r.Ended && r.Exit == 0 && summary.MatchString(r.Output) }

func (r coldRun) String() string {
	if !r.Ended {
		return fmt.Sprintf("not over after %v", r.Took.Round(time.Millisecond))
	}
	if r.Exit == 0 && !r.green() {
		return "exit status 0 before PHPUnit's summary"
	}
	return fmt.Sprintf("exit status %d", r.Exit)
}

// enterCell makes the copy the project, puts an empty temp directory in place
// and runs the rest of its arguments. The last line keeps the shell: it is
// process 1 there, and a test may ask for or shoot at its parent. What the
// suite leaves running ends with it.
const enterCell = `set -e
copy=$1 root=$2 temp=$3; shift 3
mount --make-rprivate /
mount -t tmpfs -o size=512m,mode=1777 temp "$temp"
case $root in /tmp/*)
	mkdir -p "$temp/${root#/tmp/}"
	mount --bind "$copy" "$temp/${root#/tmp/}" ;;
esac
mount --bind "$copy" "$root"
mount --rbind "$temp" /tmp
mount -o remount,bind,ro /
cd "$root"
ulimit -v 4194304
ulimit -f 1048576
ulimit -c 0
unset TMPDIR
set +e
"$@"
exit $?
`

// newCell needs util-linux, and a kernel that lets this user have namespaces.
func newCell(t *testing.T, root, dir string, command []string) *cell {
	t.Helper()
	c := &cell{root: root, dir: dir, command: command, commands: strings.Join(command, " ")}
	if err := os.MkdirAll(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	return c
}

// run makes a copy of the project with one file replaced (path "" for none)
// and runs the suite in it.
func (c *cell) run(ctx context.Context, path string, text []byte, limit time.Duration) (coldRun, error) {
	copied, temp := filepath.Join(c.dir, "copy"), filepath.Join(c.dir, "temp")
	for _, dir := range []string{copied, temp} {
		if err := os.RemoveAll(dir); err != nil {
			return coldRun{}, err
		}
	}
	if out, err := osexec.Command("cp", "-a", c.root, copied).CombinedOutput(); err != nil {
		return coldRun{}, fmt.Errorf("cp: %w: %s", err, out)
	}
	if err := os.Mkdir(temp, 0o777); err != nil {
		return coldRun{}, err
	}
	if path != "" {
		if err := replaceFile(filepath.Join(copied, filepath.FromSlash(path)), text); err != nil {
			return coldRun{}, err
		}
	}
	return c.start(ctx, copied, temp, limit)
}

// replaceFile keeps the file's mode.
func replaceFile(path string, text []byte) error {
	info, err := os.Stat(path)
	if err != nil {
		return err
	}
	return os.WriteFile(path, text, info.Mode())
}

func (c *cell) start(ctx context.Context, copied, temp string, limit time.Duration) (coldRun, error) {
	ctx, cancel := context.WithTimeout(ctx, limit)
	defer cancel()
	args := []string{"--mount", "--pid", "--ipc", "--fork", "--mount-proc", "--kill-child=KILL"}
	if os.Getuid() != 0 {
		args = append(args, "--user", "--map-current-user", "--keep-caps")
	}
	args = append(args, "--", "sh", "-c", enterCell, "cell", copied, c.root, temp)
	cmd := osexec.CommandContext(ctx, "unshare", append(args, c.command...)...)
	var out lastBytes
	cmd.Stdout, cmd.Stderr = &out, &out
	cmd.WaitDelay = 5 * time.Second
	began := time.Now()
	err := cmd.Run()
	r := coldRun{Took: time.Since(began), Output: string(out.kept), Exit: cmd.ProcessState.ExitCode(), Ended: ctx.Err() == nil}
	var exit *osexec.ExitError
	if err != nil && r.Ended && !errors.As(err, &exit) && !errors.Is(err, osexec.ErrWaitDelay) {
		return r, err
	}
	return r, nil
}

// lastBytes keeps the end of what is written to it.
type lastBytes struct{ kept []byte }

func (l *lastBytes) Write(b []byte) (int, error) {
	const most = 32 << 10
	l.kept = append(l.kept, b...)
	if over := len(l.kept) - most; over > 0 {
		l.kept = bytes.Clone(l.kept[over:])
	}
	return len(b), nil
}

// phpunitCommand is what the owner types: phpunit, or what Composer's own
// start of it comes to where the configuration counts on that and names no
// bootstrap.
func phpunitCommand(t *testing.T, root, config string) []string {
	t.Helper()
	phpunit, err := osexec.LookPath("phpunit")
	if err != nil {
		t.Fatal("phpunit is not installed; it is what verdicts are held against")
	}
	if own := filepath.Join(root, "vendor", "bin", "phpunit"); isThere(own) {
		phpunit = own
	}
	command := []string{"php", phpunit}
	if config != "" {
		command = append(command, "--configuration", config)
	}
	for _, name := range []string{config, "phpunit.xml", "phpunit.xml.dist"} {
		text, err := os.ReadFile(filepath.Join(root, name))
		if err != nil || name == "" {
			continue
		}
		if !bytes.Contains(text, []byte("bootstrap=")) && isThere(filepath.Join(root, "vendor", "autoload.php")) {
			command = append(command, "--bootstrap", "vendor/autoload.php")
		}
		break
	}
	return command
}

func isThere(path string) bool {
	_, err := os.Stat(path)
	return err == nil
}

// fingerprint lists every entry below a directory with its mode, its time of
// change and its bytes' hash.
func fingerprint(t *testing.T, root string) string {
	t.Helper()
	var b strings.Builder
	err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		info, err := d.Info()
		if err != nil {
			return err
		}
		fmt.Fprint(&b, strings.TrimPrefix(path, root), " ", info.Mode(), " ", info.ModTime().UnixNano())
		if info.Mode().IsRegular() {
			text, err := os.ReadFile(path)
			if err != nil {
				return err
			}
			fmt.Fprintf(&b, " %x", sha256.Sum256(text))
		}
		b.WriteByte('\n')
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return b.String()
}

func firstDifference(a, b string) string {
	was, is := strings.Split(a, "\n"), strings.Split(b, "\n")
	for i := range was {
		if i >= len(is) || was[i] != is[i] {
			return "was: " + was[i] + "\nis:  " + strings.Join(is[i:min(i+1, len(is))], "")
		}
	}
	return "more: " + strings.Join(is[len(was):], "\n")
}
