//go:build linux

package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"net"
	"os"
	osexec "os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"assay/exec/pool"
	"assay/mutate"
)

// A poolApart is a project, a pool, and who has to do with it, with temp directories and caches
// of their own.
type poolApart struct {
	assayApart
	t       *testing.T
	address string
	plain   string  // the result of a run that no pool has to do with
	server  *spoken // nil: the run has it
	apart   *apart  // nil: all are in the namespaces of the test
	store   string
}

// spoken is a process with what it has printed.
type spoken struct {
	cmd  *osexec.Cmd
	done chan struct{}
	mu   sync.Mutex
	text bytes.Buffer
}

func (s *spoken) Write(b []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.text.Write(b)
}

func (s *spoken) String() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.text.String()
}

func newPoolApart(t *testing.T) *poolApart {
	t.Helper()
	p := &poolApart{assayApart: newAssayApart(t), t: t}
	p.address = freeAddress(t)
	p.plain = filepath.Join(p.base, "plain.json")
	if got := p.wait(p.launch("assay", "run", "--fresh", "--write", "json="+p.plain)); got != statusFine {
		t.Fatalf("status %d", got)
	}
	return p
}

// lastPort is the one that freeAddress has looked at last. They are below those that the kernel
// gives to connections (net.ipv4.ip_local_port_range begins at 32768 as a rule), so that nobody
// else gets one before the test has used it.
var lastPort atomic.Int32

func init() { lastPort.Store(20000 + rand.Int32N(5000)) }

// freeAddress gives an address of this machine that nobody listens on.
func freeAddress(t *testing.T) string {
	t.Helper()
	for range 100 {
		address := fmt.Sprint("127.0.0.1:", lastPort.Add(1))
		if l, err := net.Listen("tcp", address); err == nil {
			l.Close()
			return address
		}
	}
	t.Fatal("no port is free")
	return ""
}

// launch starts a process in the project.
func (p *poolApart) launch(name string, args ...string) *spoken {
	p.t.Helper()
	if p.apart != nil && !slices.Contains(args, "work") {
		args = append(p.apart.hub.enter(), append([]string{name}, args...)...)
		name, args = args[0], args[1:]
	}
	s := &spoken{cmd: osexec.Command(name, args...), done: make(chan struct{})}
	s.cmd.Dir, s.cmd.Stdout, s.cmd.Stderr = p.dir, s, s
	s.cmd.Env = append(os.Environ(), "XDG_CACHE_HOME="+filepath.Join(p.base, "cache"), "TMPDIR="+filepath.Join(p.base, "tmp"), "NO_COLOR=1")
	if err := s.cmd.Start(); err != nil {
		p.t.Fatal(err)
	}
	go func() {
		s.cmd.Wait()
		close(s.done)
	}()
	p.t.Cleanup(func() {
		syscall.Kill(s.cmd.Process.Pid, syscall.SIGCONT)
		s.cmd.Process.Kill()
		<-s.done
	})
	return s
}

// wait waits for the end of a process, which comes; a hang is a failure.
func (p *poolApart) wait(s *spoken) int {
	p.t.Helper()
	select {
	case <-s.done:
	case <-time.After(4 * time.Minute):
		s.cmd.Process.Kill()
		p.t.Fatalf("%v hangs:\n%s", s.cmd.Args, s)
	}
	return s.cmd.ProcessState.ExitCode()
}

// work has a worker join, in namespaces of its own if there are some.
func (p *poolApart) work(name string, args ...string) *spoken {
	p.t.Helper()
	args = append([]string{"assay", "work", "--name", name, "--jobs", "1", "--pool", "nats://" + p.address}, args...)
	if p.apart != nil {
		args = append(p.apart.enter(p.t, name), append(args, "--insecure")...)
	}
	return p.launch(args[0], args[1:]...)
}

// signal sends a signal to a process; to the worker, where it has namespaces of its own.
func (p *poolApart) signal(s *spoken, what syscall.Signal) {
	pid := s.cmd.Process.Pid
	if p.apart != nil && slices.Contains(s.cmd.Args, "work") {
		pid = p.apart.child(p.t, pid)
	}
	if err := syscall.Kill(pid, what); err != nil {
		p.t.Errorf("%v: %v", s.cmd.Args, err)
	}
}

// host begins a run; with a server of its own, if there is no other.
func (p *poolApart) host(to string, args ...string) *spoken {
	at := []string{"--pool-listen", p.address}
	if p.server != nil {
		at = []string{"--pool", "nats://" + p.address}
	}
	if p.apart != nil {
		at = append(at, "--insecure")
	}
	return p.launch("assay", slices.Concat([]string{"run", "--fresh", "--pool-patience", "2s", "--write", "json=" + to}, at, args)...)
}

// awaits waits until a process has said something.
func (p *poolApart) awaits(s *spoken, what string) {
	p.t.Helper()
	for limit := time.Now().Add(3 * time.Minute); !strings.Contains(s.String(), what); time.Sleep(10 * time.Millisecond) {
		if time.Now().After(limit) {
			p.t.Fatalf("%v does not say %q:\n%s", s.cmd.Args, what, s)
		}
	}
}

// Two workers, one of which is killed meanwhile: the result is that of a run that no pool has
// to do with.
func TestPool(t *testing.T) {
	t.Parallel()
	p := newPoolApart(t)
	to := filepath.Join(p.base, "pool.json")
	run := p.host(to)
	one := p.work("one", "--once")
	two := p.work("two", "--once")
	p.awaits(one, "taking mutants")
	time.Sleep(time.Duration(rand.IntN(1000)) * time.Millisecond)
	one.cmd.Process.Kill()
	if got := p.wait(run); got != statusFine {
		t.Fatalf("status %d\n%s", got, run)
	}
	compareFiles(t, p.plain, to)
	if got := p.wait(two); got != statusFine {
		t.Errorf("the other worker ends with %d:\n%s", got, two)
	}
	if !regexp.MustCompile(`assay: two judged [1-9]\d* mutants`).MatchString(run.String()) {
		t.Errorf("it is not said who has judged:\n%s", run)
	}
}

// A worker whose PHP is set otherwise says so, and takes nothing.
func TestPoolRefuses(t *testing.T) {
	t.Parallel()
	p := newPoolApart(t)
	php, err := osexec.LookPath("php")
	if err != nil {
		t.Fatal(err)
	}
	other := filepath.Join(p.base, "other-php")
	if err := os.WriteFile(other, []byte("#!/bin/sh\nexec "+php+" -d precision=5 \"$@\"\n"), 0o755); err != nil {
		t.Fatal(err)
	}
	to := filepath.Join(p.base, "pool.json")
	run := p.host(to)
	for _, row := range []struct {
		args []string
		want string
	}{
		{[]string{"--php", other}, `PHP's setting precision is "14" there, and "5" here`},
		{[]string{"--no-confine"}, "and here they may reach (all that the user may)"},
	} {
		w := p.work("other", row.args...)
		p.awaits(w, row.want)
		p.awaits(run, row.want)
		if strings.Contains(w.String(), "fetching") {
			t.Errorf("it fetches the project all the same:\n%s", w)
		}
		w.cmd.Process.Signal(syscall.SIGTERM)
		if got := p.wait(w); got != 128+int(syscall.SIGTERM) {
			t.Errorf("status %d:\n%s", got, w)
		}
	}
	p.work("good")
	if got := p.wait(run); got != statusFine {
		t.Fatalf("status %d\n%s", got, run)
	}
	compareFiles(t, p.plain, to)
}

// What git ignores is not sent, but for packages and what tests use.
func TestPoolSendsWhatIsNeeded(t *testing.T) {
	t.Parallel()
	needTools(t, "composer", "git")
	code := resumeProject(t)
	write := func(name, text string) {
		t.Helper()
		path := filepath.Join(code, name)
		os.MkdirAll(filepath.Dir(path), 0o755)
		if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	write(".gitignore", "/vendor\n/var\n.env\n")
	write(".env", "SECRET=1")
	write("var/cache/used.php", "<?php")
	write("var/cache/listed/one", "")
	write("var/log", "")
	write("vendor/acme/a.php", "<?php")
	if out, err := osexec.Command("git", "-C", code, "init", "-q").CombinedOutput(); err != nil {
		t.Fatalf("%v %s", err, out)
	}
	ignored := ignoredIn(code)
	for _, name := range []string{"vendor", "var", ".env"} {
		if !ignored[name] {
			t.Errorf("%s is not ignored: %v", name, ignored)
		}
	}
	u := &uses{paths: map[string]bool{}, dirs: map[string]bool{}}
	u.add("var/cache/used.php")
	u.add("var/cache/listed/")
	list, err := listFiles(code, "vendor", ignored, map[string]bool{filepath.Join(code, "composer.json"): true}, u)
	if err != nil {
		t.Fatal(err)
	}
	for name, want := range map[string]bool{"var/cache/used.php": true, "var/cache/listed/one": true, "var/cache": true, "var": true, "var/log": false, ".env": false, "src": true,
		"phpunit.xml": true, "vendor/acme/a.php": false, ".git": false, ".git/HEAD": false, ".gitignore": true, "composer.json": false} {
		if slices.Contains(list.rest, name) != want {
			t.Errorf("%s is among them: %v", name, !want)
		}
	}
	if !slices.Contains(list.packages, "vendor/acme/a.php") {
		t.Errorf("the packages are %v", list.packages)
	}
}

// Records say the same when a result that is made of them is the same.
func TestEssence(t *testing.T) {
	of := func(change func(*storedLine)) pool.Record {
		s := storedLine{ID: "a", Status: mutate.Killed.String(), Killer: "T::a", Ran: 2, Micros: 5}
		change(&s)
		text, err := json.Marshal(s)
		if err != nil {
			t.Fatal(err)
		}
		return pool.Record{Item: "a", Data: text}
	}
	first := of(func(*storedLine) {})
	for name, c := range map[string]struct {
		change func(*storedLine)
		same   bool
	}{
		"time":   {func(s *storedLine) { s.Micros = 9 }, true},
		"broken": {func(s *storedLine) { *s = storedLine{ID: "a", Status: mutate.Broken.String()} }, true},
		"status": {func(s *storedLine) { s.Status = mutate.Survived.String() }, false},
		"killer": {func(s *storedLine) { s.Killer = "T::b" }, false},
		"detail": {func(s *storedLine) { s.Detail = "x" }, true},
		"how":    {func(s *storedLine) { s.How = mutate.Assertion.String() }, false},
		"ran":    {func(s *storedLine) { s.Ran = 3 }, false},
	} {
		if a, b := essenceOf(first), essenceOf(of(c.change)); (a == b || b == "") != c.same || a == "" {
			t.Errorf("%s: %q and %q", name, a, b)
		}
	}
	if got := essenceOf(pool.Record{Item: "a", Data: json.RawMessage(`[]`)}); got == "" || got == essenceOf(first) {
		t.Error("what is no record is the same as one")
	}
}

// TestPoolGallery has runs of a pool whose server, workers or host are killed, stopped or cut off at
// random moments. ASSAY_POOL_ROUNDS says how often; each worker has namespaces of its own then.
// Without it some kinds come once, with the server that the run has itself, and all are in one
// network. ASSAY_SEED repeats one.
func TestPoolGallery(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("long, and TestPool has what it does at the least")
	}
	const own, debians = "its own server", "nats-server"
	kinds := [][2]string{{"worker killed", own}, {"worker stopped", own}, {"run killed", own}}
	rounds := len(kinds)
	p := newPoolApart(t)
	if text := os.Getenv("ASSAY_POOL_ROUNDS"); text != "" {
		var err error
		if rounds, err = strconv.Atoi(text); err != nil {
			t.Fatal(err)
		}
		needTools(t, debians, "ip", "unshare", "nsenter")
		p.apart, p.address = newApart(t), hubAddress+":4222"
		kinds = [][2]string{{"worker killed", own}, {"worker killed", debians}, {"worker stopped", own}, {"worker stopped", debians}, {"worker cut off", own}, {"worker cut off", debians},
			{"run killed", own}, {"run killed", debians}, {"server killed", debians}}
	}
	seed := uint64(time.Now().UnixNano())
	if text := os.Getenv("ASSAY_SEED"); text != "" {
		var err error
		if seed, err = strconv.ParseUint(text, 10, 64); err != nil {
			t.Fatal(err)
		}
	}
	for round := range rounds {
		kind := kinds[round%len(kinds)]
		what := fmt.Sprintf("round %d, seed %d: %s, with %s", round, seed+uint64(round), kind[0], kind[1])
		began := time.Now()
		r := rand.New(rand.NewPCG(seed+uint64(round), 1))
		for most := 4 * time.Second; !p.round(what, kind[0], kind[1] == debians, r, most); most /= 2 {
			t.Logf("%s: the run had ended before; once more, sooner", what)
			if most < 100*time.Millisecond {
				t.Fatalf("%s: no run takes long enough to be disturbed", what)
			}
		}
		t.Logf("%s: %.0f s", what, time.Since(began).Seconds())
	}
}

// round has one run disturbed, at a moment up to most after its first worker has begun. It reports
// whether the run had not ended by then.
func (p *poolApart) round(what, kind string, apart bool, r *rand.Rand, most time.Duration) (disturbed bool) {
	p.t.Helper()
	p.server = nil
	if apart {
		p.store = p.t.TempDir()
		p.server = p.serve()
	}
	to := filepath.Join(p.base, "pool.json")
	os.Remove(to)
	run := p.host(to)
	workers := []*spoken{p.work("one"), p.work("two"), p.work("three")}
	p.awaits(workers[0], "taking mutants")
	select {
	case <-run.done:
		kind = "none"
	case <-time.After(time.Duration(r.Int64N(int64(most)))):
	}
	tooLong := time.Duration(2500+r.IntN(3000)) * time.Millisecond // longer than --pool-patience
	switch kind {
	case "worker killed":
		p.signal(workers[0], syscall.SIGKILL)
		<-workers[0].done
		workers = append(workers[1:], p.work("four"))
	case "worker stopped":
		p.signal(workers[0], syscall.SIGSTOP)
		time.Sleep(tooLong)
		p.signal(workers[0], syscall.SIGCONT)
	case "worker cut off":
		p.apart.cut(p.t, "one", true)
		time.Sleep(tooLong)
		p.apart.cut(p.t, "one", false)
	case "run killed":
		p.signal(run, syscall.SIGKILL)
		<-run.done
		time.Sleep(time.Duration(r.IntN(3000)) * time.Millisecond)
		run = p.host(to, "--resume")
	case "server killed":
		p.signal(p.server, syscall.SIGKILL)
		<-p.server.done
		time.Sleep(time.Duration(r.IntN(3000)) * time.Millisecond)
		p.server = p.serve()
	}
	if got := p.wait(run); got != statusFine {
		p.t.Fatalf("%s: status %d\n%s", what, got, run)
	}
	compareFiles(p.t, p.plain, to)
	for _, w := range workers {
		p.signal(w, syscall.SIGTERM)
		p.wait(w)
	}
	if p.server != nil {
		p.signal(p.server, syscall.SIGKILL)
		<-p.server.done
	}
	return kind != "none"
}

// serve starts Debian's server, which keeps what it has in files.
func (p *poolApart) serve() *spoken {
	host, port, err := net.SplitHostPort(p.address)
	if err != nil {
		p.t.Fatal(err)
	}
	s := p.launch("nats-server", "-js", "-a", host, "-p", port, "-sd", p.store)
	p.awaits(s, "Server is ready")
	return s
}
