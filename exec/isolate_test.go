//go:build unix

package exec

import (
	"bytes"
	"fmt"
	"io/fs"
	"os"
	osexec "os/exec"
	"path/filepath"
	"sort"
	"strings"
	"testing"

	"golang.org/x/sys/unix"
)

func TestMain(m *testing.M) {
	KeeperMain()
	os.Exit(m.Run())
}

// keeperT is what a case that runs inside a keeper has for a testing.T.
type keeperT struct{ v *View }

type caseFailure string

func (k keeperT) fatalf(format string, a ...any) { panic(caseFailure(fmt.Sprintf(format, a...))) }

func (k keeperT) must(err error) {
	if err != nil {
		k.fatalf("%v", err)
	}
}

func (k keeperT) path(rel string) string { return filepath.Join(k.v.Root(), rel) }

// damage is Damage as sorted lines, without the times of directories.
func (k keeperT) damage() []string {
	list, err := k.v.Damage()
	k.must(err)
	var out []string
	for _, c := range list {
		if c.What != "times" {
			out = append(out, c.String())
		}
	}
	sort.Strings(out)
	return out
}

func (k keeperT) wantDamage(want ...string) {
	got := k.damage()
	sort.Strings(want)
	if strings.Join(got, "\n") != strings.Join(want, "\n") {
		k.fatalf("damage %q, want %q", got, want)
	}
}

// mended repairs and demands that not a trace is left.
func (k keeperT) mended() {
	k.must(k.v.Repair())
	list, err := k.v.Damage()
	k.must(err)
	if len(list) > 0 {
		k.fatalf("after repair: %v", list)
	}
}

func (k keeperT) sh(script string) {
	cmd := osexec.Command("/bin/sh", "-ec", script)
	cmd.Dir = k.v.Root()
	cmd.Env = append(os.Environ(), "TMPDIR="+k.v.Temp())
	out, err := cmd.CombinedOutput()
	if err != nil {
		k.fatalf("%s: %v\n%s", script, err, out)
	}
}

// keeperCases run inside a keeper, by name.
var keeperCases = map[string]func(k keeperT, arg string){}

func init() {
	keeperJobs["case"] = func(v *View, arg string) (err error) {
		defer func() {
			switch p := recover().(type) {
			case nil:
			case caseFailure:
				err = fmt.Errorf("%s", string(p))
			default:
				panic(p)
			}
		}()
		name, rest, _ := strings.Cut(arg, " ")
		keeperCases[name](keeperT{v}, rest)
		return nil
	}
}

// runKeeper runs one case in a keeper and returns what it printed.
func runKeeper(t testing.TB, spec ViewSpec, arg string, change func(*osexec.Cmd)) string {
	t.Helper()
	cmd, err := keeperCommand(spec, "case", arg)
	if err != nil {
		t.Fatal(err)
	}
	var out, errs bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &errs
	if change != nil {
		change(cmd)
	}
	if err := cmd.Run(); err != nil {
		t.Fatalf("%s in %v view: %v\n%s%s", arg, spec.Mode, err, errs.String(), out.String())
	}
	return out.String()
}

// snapshot describes every entry below dir, for comparing.
func snapshot(t testing.TB, dir string) string {
	t.Helper()
	var b strings.Builder
	err := filepath.WalkDir(dir, func(p string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		m, err := statAt(unix.AT_FDCWD, p)
		if err != nil {
			return err
		}
		content := ""
		switch {
		case m.isLink():
			content, err = os.Readlink(p)
		case m.isRegular():
			var data []byte
			data, err = os.ReadFile(p)
			content = string(data)
		}
		rel, _ := filepath.Rel(dir, p)
		fmt.Fprintf(&b, "%s %o %d:%d %d %d %q\n", rel, m.mode, m.uid, m.gid, m.ino, m.mtime, content)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return b.String()
}
