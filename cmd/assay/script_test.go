//go:build linux

package main

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	osexec "os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"syscall"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"
	"github.com/santhosh-tekuri/jsonschema/v6"

	"assay/exec/sandbox"
	"assay/exec/sandbox/sandboxtest"
)

func TestMain(m *testing.M) {
	sandboxtest.EnterContainer()
	sandbox.Main() // the supervisors of an assay under test are this binary, too
	testscript.Main(m, map[string]func(){"assay": main})
}

// TestScripts runs testdata/script: a file a behaviour, from the command line
// to the exit status.
func TestScripts(t *testing.T) {
	t.Parallel()
	dir, files := "../../testdata/script", []string(nil)
	if testing.Short() { // what runs in parallel, for the race detector
		for _, name := range []string{"survivor_boundary", "report_json", "interrupt"} {
			files = append(files, filepath.Join(dir, name+".txtar"))
		}
		dir = ""
	}
	testscript.Run(t, testscript.Params{
		Dir:                 dir,
		Files:               files,
		RequireExplicitExec: true,
		RequireUniqueNames:  true,
		UpdateScripts:       os.Getenv("UPDATE") == "1",
		Condition:           condition,
		Setup:               setUp,
		Cmds: map[string]func(ts *testscript.TestScript, neg bool, args []string){
			"status":    statusCommandOfScripts,
			"remember":  remember,
			"unchanged": unchanged,
			"fits":      fits,
			"interrupt": interrupt,
		},
	})
}

// setUp gives each script a cache and a temp directory outside of its project,
// and a shell without colour.
func setUp(env *testscript.Env) error {
	base, err := os.MkdirTemp("", "assay-script-")
	if err != nil {
		return err
	}
	env.Defer(func() { os.RemoveAll(base) })
	for _, dir := range []string{"cache", "tmp"} {
		if err := os.Mkdir(filepath.Join(base, dir), 0o755); err != nil {
			return err
		}
	}
	env.Setenv("XDG_CACHE_HOME", filepath.Join(base, "cache"))
	env.Setenv("TMPDIR", filepath.Join(base, "tmp"))
	env.Setenv("NO_COLOR", "1")
	env.Setenv("GIT_CONFIG_GLOBAL", "/dev/null") // whose git this is changes nothing
	env.Setenv("GIT_CONFIG_SYSTEM", "/dev/null")
	env.Setenv("COLUMNS", "80")
	schema, err := filepath.Abs("../../testdata/report/result.schema.json")
	if err != nil {
		return err
	}
	env.Values["schema"] = schema
	return nil
}

// condition knows what a script may need. Under CI a need that is not met is a
// failure: a skipped script would hide a gap.
func condition(name string) (bool, error) {
	met := false
	switch name {
	case "phpunit":
		_, php := osexec.LookPath("php")
		_, phpunit := osexec.LookPath("phpunit")
		met = php == nil && phpunit == nil
	case "pcntl":
		met = osexec.Command("php", "-r", "exit(function_exists('pcntl_fork') ? 0 : 1);").Run() == nil
	case "git":
		met = hasGit()
	case "watches":
		met = osexec.Command("unshare", "-r", "sh", "-c", "echo 0 >/proc/sys/user/max_inotify_instances").Run() == nil
	case "root":
		return os.Getuid() == 0, nil
	default:
		return false, fmt.Errorf("condition %q is not known", name)
	}
	if !met && os.Getenv("CI") != "" {
		return false, fmt.Errorf("%s is missing, and CI may not skip", name)
	}
	return met, nil
}

// status N PROGRAM ARGS runs a program that must end with exit status N.
func statusCommandOfScripts(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: status N PROGRAM ARGS")
	}
	want, err := strconv.Atoi(args[0])
	ts.Check(err)
	got := 0
	if err := ts.Exec(args[1], args[2:]...); err != nil {
		var exit *osexec.ExitError
		if !errors.As(err, &exit) {
			ts.Fatalf("%v", err)
		}
		got = exit.ExitCode()
	}
	if got != want {
		ts.Fatalf("exit status %d, want %d", got, want)
	}
}

// remember and unchanged hold the whole tree against what it was: names,
// modes, times of change and bytes.
func remember(ts *testscript.TestScript, neg bool, _ []string) {
	text := fmt.Sprint(treeOf(ts))
	ts.Check(os.WriteFile(filepath.Join(ts.Getenv("TMPDIR"), "..", "remembered"), []byte(text), 0o644))
}

func unchanged(ts *testscript.TestScript, neg bool, _ []string) {
	want, err := os.ReadFile(filepath.Join(ts.Getenv("TMPDIR"), "..", "remembered"))
	ts.Check(err)
	if got := fmt.Sprint(treeOf(ts)); got != string(want) {
		ts.Fatalf("the project's tree was changed\nwas: %s\nis:  %s", want, got)
	}
}

func treeOf(ts *testscript.TestScript) []string {
	files := map[string]string{}
	root := ts.MkAbs(".")
	ts.Check(filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		info, err := d.Info()
		if err != nil {
			return err
		}
		line := fmt.Sprint(info.Mode(), info.ModTime().UnixNano())
		if info.Mode().IsRegular() {
			text, err := os.ReadFile(path)
			if err != nil {
				return err
			}
			line += fmt.Sprintf(" %x", sha256.Sum256(text))
		}
		files[path] = line
		return nil
	}))
	var out []string
	for _, path := range slices.Sorted(maps.Keys(files)) {
		out = append(out, path+" "+files[path])
	}
	return out
}

// fits FILE holds a result file against the published schema.
func fits(ts *testscript.TestScript, neg bool, args []string) {
	schema, err := jsonschema.NewCompiler().Compile(ts.Value("schema").(string))
	ts.Check(err)
	f, err := os.Open(ts.MkAbs(args[0]))
	ts.Check(err)
	defer f.Close()
	value, err := jsonschema.UnmarshalJSON(f)
	ts.Check(err)
	ts.Check(schema.Validate(value))
}

// interrupt SIGNAL TEXT PROGRAM ARGS starts a program, sends it a signal once
// TEXT is on its standard error, and demands that it ends at once, with the
// status of that signal, and leaves no process behind. What it printed is
// then in interrupted.out and interrupted.err. To end takes a program less than 0.1 s of
// processor time and no waiting, to come to the text several times that and waiting: a
// machine that is busy takes as much longer for the one as for the other.
func interrupt(ts *testscript.TestScript, neg bool, args []string) {
	signals := map[string]syscall.Signal{"INT": syscall.SIGINT, "TERM": syscall.SIGTERM, "HUP": syscall.SIGHUP, "QUIT": syscall.SIGQUIT}
	sig, awaited := signals[args[0]], args[1]
	program, err := osexec.LookPath(args[2])
	ts.Check(err)
	cmd := osexec.Command(program, args[3:]...)
	cmd.Dir = ts.MkAbs(".")
	cmd.Env = append(os.Environ(), "TMPDIR="+ts.Getenv("TMPDIR"), "XDG_CACHE_HOME="+ts.Getenv("XDG_CACHE_HOME"), "NO_COLOR=1")
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	cmd.Stdout, err = os.Create(ts.MkAbs("interrupted.out"))
	ts.Check(err)
	cmd.Stderr, err = os.Create(ts.MkAbs("interrupted.err"))
	ts.Check(err)
	began := time.Now()
	ts.Check(cmd.Start())
	for limit := began.Add(hangs); ; time.Sleep(10 * time.Millisecond) {
		if bytes.Contains([]byte(ts.ReadFile("interrupted.err")), []byte(awaited)) {
			break
		}
		if time.Now().After(limit) {
			cmd.Process.Kill()
			ts.Fatalf("%q was not said", awaited)
		}
	}
	sent := time.Now()
	ts.Check(cmd.Process.Signal(sig))
	cmd.Wait()
	// It takes a tenth of two seconds on a machine that has nothing else to do.
	if took, before := time.Since(sent), sent.Sub(began); took > max(2*time.Second, before) {
		ts.Fatalf("it took %v to end, %v to begin", took, before)
	}
	if got, want := cmd.ProcessState.ExitCode(), 128+int(sig); got != want {
		ts.Fatalf("exit status %d, want %d", got, want)
	}
	if left := processesWith(ts.Getenv("TMPDIR")); len(left) > 0 {
		ts.Fatalf("processes were left: %v", left)
	}
}

// hangs is how long to wait for what comes in seconds: who waits that long waits for nothing.
const hangs = 3 * time.Minute

// processesWith lists the processes whose command line or environment names
// a path.
func processesWith(path string) []string {
	var out []string
	dirs, _ := filepath.Glob("/proc/[0-9]*")
	for _, dir := range dirs {
		if filepath.Base(dir) == strconv.Itoa(os.Getpid()) {
			continue
		}
		for _, name := range []string{"cmdline", "environ"} {
			text, err := os.ReadFile(filepath.Join(dir, name))
			if err == nil && bytes.Contains(text, []byte(path)) {
				out = append(out, filepath.Base(dir)+" "+name)
			}
		}
	}
	return out
}
