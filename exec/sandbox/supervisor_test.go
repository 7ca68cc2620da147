//go:build linux

package sandbox

import (
	"bytes"
	"fmt"
	"os"
	osexec "os/exec"
	"path/filepath"
	"sort"
	"strings"
	"testing"

	"assay/exec/sandbox/sandboxtest"
)

func TestMain(m *testing.M) {
	sandboxtest.EnterContainer()
	Main()
	if where := os.Getenv(attackEnv); where != "" {
		attackNow(where)
		return
	}
	os.Exit(m.Run())
}

// insideT is what a case that runs inside a supervisor has for a testing.T.
type insideT struct{ v *View }

type caseFailure string

func (k insideT) fatalf(format string, a ...any) { panic(caseFailure(fmt.Sprintf(format, a...))) }

func (k insideT) must(err error) {
	if err != nil {
		k.fatalf("%v", err)
	}
}

func (k insideT) path(rel string) string { return filepath.Join(k.v.Root(), rel) }

// damage is Damage as sorted lines, without the times of directories.
func (k insideT) damage() []string {
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

func (k insideT) wantDamage(want ...string) {
	got := k.damage()
	sort.Strings(want)
	if strings.Join(got, "\n") != strings.Join(want, "\n") {
		k.fatalf("damage %q, want %q", got, want)
	}
}

// mended repairs and demands that not a trace is left.
func (k insideT) mended() {
	k.must(k.v.Repair())
	list, err := k.v.Damage()
	k.must(err)
	if len(list) > 0 {
		k.fatalf("after repair: %v", list)
	}
}

func (k insideT) sh(script string) {
	cmd := osexec.Command("/bin/sh", "-ec", script)
	cmd.Dir = k.v.Root()
	cmd.Env = append(os.Environ(), "TMPDIR="+k.v.Temp())
	out, err := cmd.CombinedOutput()
	if err != nil {
		k.fatalf("%s: %v\n%s", script, err, out)
	}
}

// cases run inside a supervisor, by name.
var cases = map[string]func(k insideT, arg string){}

func init() {
	jobs["case"] = func(v *View, arg string) (err error) {
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
		cases[name](insideT{v}, rest)
		return nil
	}
}

// runInside runs one case in a supervisor and returns what it printed.
func runInside(t testing.TB, spec Spec, arg string, change func(*osexec.Cmd)) string {
	t.Helper()
	cmd, err := Command(spec, "case", arg)
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
