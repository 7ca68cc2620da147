//go:build linux

package exec

import (
	"context"
	"embed"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"sync/atomic"

	"golang.org/x/sync/errgroup"

	"assay/exec/sandbox"
	"assay/exec/supervisor"
	"assay/mutate"
)

// Settings says what to run and how.
type Settings struct {
	Root      string       // absolute project root
	PHP       string       // the PHP binary
	PHPUnit   string       // PHPUnit's script or phar, absolute
	Env       []string     // NAME=VALUE, what PHPUnit's script is started with besides
	Config    string       // phpunit.xml, absolute; "" when there is none
	Bootstrap string       // used only where the configuration names none; "" for none
	TestPath  string       // the tests, where there is no configuration
	Above     string       // a directory above Root that the project needs, as a monorepo's with vendor in it; "" for none
	Jobs      int          // workers; 0 means one a core
	Cold      bool         // one PHP process a mutant instead of forks
	View      sandbox.Mode // how a worker gets its own view of the project
	SwapOnly  bool         // judge each mutant in a child of its own, with its file swapped in: the plain way, to compare with
	// Sources gives what Record will be called for, or nil if there is nothing to
	// record after all. It is called once, while PHP and the machine are looked at,
	// and may take its time; nil where nothing will be recorded.
	Sources   func() []*mutate.Points
	Keep      bool     // leave the work directory behind, for looking at it
	TestSuite []string // --testsuite
	Group     []string // --group
	Memory    int64    // bytes that the tests of a mutant may have in memory; 0: by what the suite itself uses

	Unconfined   bool     // tests may write and connect wherever we can
	AllowWrite   []string // files and directories that tests may write; see CheckAllowedPath
	AllowPorts   []uint16 // ports that tests may connect to
	AllowSockets []string // socket files that tests may connect to; absolute, without links
}

// Facts is what was found out about the machine and the project's tools.
type Facts struct {
	PHP        string // version
	PHPUnit    string // version; known after Record
	Pcntl      bool   // can fork
	View       sandbox.Mode
	ViewReason string   // why not the overlay view; "" when it is
	Unconfined []string // what mutated code is not kept from, a sentence each
	WorkDir    string
	Raised     int64 // the memory that PHP has, in bytes, where its own limit is too near; 0 where it is not. Known after Record
}

// A ProjectError is the project's to mend: a red suite, no tests, a bootstrap
// that fails.
type ProjectError struct {
	What string // what is wrong and where
	Do   string // what to do about it
}

func (e *ProjectError) Error() string {
	if e.Do == "" {
		return e.What
	}
	return e.What + "\n" + e.Do
}

// Engine runs PHP. Open it, Record once, Judge any number of times, Close it.
type Engine struct {
	set           Settings
	facts         Facts
	php           []string // binary and ini settings
	phpFiles      []phpFile
	work          *sandbox.WorkDir
	dir           string // everything temporary: that of work
	harness       string
	keep          []string // paths that a view must not hide
	shown         []string // and those that PHP needs; see showNeeded
	confinement   sandbox.Confinement
	whyShared     string // why workers have no networks of their own
	turns         turns
	changesPlaces atomic.Bool // see places.go
	limits        supervisor.Limits
	suspects      suspects
	allKills      bool
	observed      []*mutate.Mutant // see Observe
	lint          *linter
	probes        *probing // for set.Sources
	serial        atomic.Int32
	mu            sync.Mutex
	clients       []*supervisor.Client               // all that may live
	launched      map[string]chan *supervisor.Client // see launch
	remarks       []string                           // see Remarks
	stats         *Stats                             // of all that was judged
	compilations  mutate.Compilations                // see FindAlike
	closing       context.Context
	close         context.CancelFunc
}

//go:embed harness/*.php
var harnessFiles embed.FS

// Open looks at PHP and prepares a work directory; nothing of the project is
// run. The error is a *ProjectError where the user can mend it.
func Open(ctx context.Context, s Settings) (*Engine, error) {
	if s.Jobs <= 0 {
		s.Jobs = runtime.NumCPU()
	}
	e := &Engine{set: s, limits: supervisor.Limits{Hard: 2_000_000, Wall: 10_000_000, Wait: 2_000_000, Factor: 10, Output: 16 << 10}}
	e.closing, e.close = context.WithCancel(context.Background())
	err := checkMachine()
	if err != nil {
		return nil, err
	}
	if e.work, err = sandbox.MakeWorkDir(s.Keep); err != nil {
		return nil, noWorkDir(err)
	}
	e.dir, e.facts.WorkDir = e.work.Path, e.work.Path
	if err := e.prepare(ctx); err != nil {
		e.Close()
		return nil, err
	}
	return e, nil
}

func (e *Engine) prepare(ctx context.Context) error {
	e.harness = filepath.Join(e.dir, "harness")
	if err := writeHarness(e.harness); err != nil {
		return err
	}
	var g errgroup.Group
	answered := make(chan bool, 1)
	g.Go(func() (err error) {
		err = e.askPHP(ctx)
		if answered <- err == nil; err != nil || e.set.Sources == nil {
			return err
		}
		if sources := e.set.Sources(); sources != nil {
			e.probes, err = e.probe(ctx, sources)
		}
		return err
	})
	unfit := e.decideView(answered)
	if err := g.Wait(); err != nil {
		return err
	}
	return unfit
}

// decideView finds out what view of the project workers can have. That takes a
// while, of which most is waiting: where a recording will follow, its workers are
// launched meanwhile, as for overlays.
func (e *Engine) decideView(phpAnswered <-chan bool) error {
	e.facts.View = e.set.View
	if e.set.View != sandbox.Auto && e.set.View != sandbox.Unset {
		return e.planView()
	}
	e.facts.View = sandbox.Overlay
	var view sandbox.Mode
	var reason string
	found := make(chan struct{})
	go func() {
		view, reason = sandbox.Probe(e.set.Root, e.dir)
		close(found)
	}()
	err := e.planView()
	if answered := <-phpAnswered; err == nil && answered && e.set.Sources != nil && !e.sharesNetwork() {
		e.launchAhead()
	}
	if <-found; view == sandbox.Overlay {
		return err
	}
	e.dropLaunched()
	e.facts.View, e.facts.ViewReason = view, reason
	return e.planView()
}

// planView decides what workers must see and what they are kept from, by the kind
// of view.
func (e *Engine) planView() error {
	e.facts.Unconfined, e.whyShared, e.confinement = nil, "", sandbox.Confinement{}
	// What lies in a temp directory would be hidden by the view's own.
	e.keep = append(installation(e.set.PHPUnit), e.harness, e.set.PHP)
	if e.set.Above != "" {
		e.keep = append(e.keep, e.set.Above)
	}
	if e.facts.View == sandbox.Copy && e.set.Above != "" && e.copied() == e.set.Root {
		return &ProjectError{fmt.Sprintf("the project %s needs %s, and a copy of it would not find that", e.set.Root, e.set.Above),
			"Have vendor in the project or in a folder above it, or run assay where workers can have overlays; assay check says why they cannot."}
	}
	if err := e.checkTemp(); err != nil {
		return err
	}
	return e.planConfinement()
}

// installation lists the paths that PHPUnit's script needs: itself, the vendor
// directory that it stands in, or the share directory beside its bin.
func installation(script string) []string {
	paths := []string{script}
	if real, err := filepath.EvalSymlinks(script); err == nil && real != script {
		paths = append(paths, real)
	}
	for _, p := range paths[:len(paths):len(paths)] {
		for dir := filepath.Dir(p); dir != filepath.Dir(dir); dir = filepath.Dir(dir) {
			if filepath.Base(dir) == "vendor" {
				paths = append(paths, dir)
			}
		}
		share := filepath.Join(filepath.Dir(p), "..", "share", "php")
		if info, err := os.Stat(share); err == nil && info.IsDir() {
			paths = append(paths, share)
		}
	}
	return paths
}

// askPHP starts the helper that answers what PHP makes of a text, and finds out the
// version and abilities of the binary from it.
func (e *Engine) askPHP(ctx context.Context) error {
	// A cached original must never be served for a changed file, and drivers
	// for coverage and debugging only slow the tests down.
	e.php = []string{e.set.PHP, "-d", "opcache.enable_cli=0", "-d", "pcov.enabled=0"}
	var parts []string
	lint, err := startLinter(e.php, e.harness)
	if err == nil {
		e.lint = lint
		defer context.AfterFunc(ctx, func() { lint.cmd.Process.Kill() })()
		var answer string
		answer, err = lint.ask('F', nil)
		parts = strings.SplitN(answer, "|", 4)
	}
	if err == nil && len(parts) == 4 {
		err = e.notePHP(parts[3])
	}
	if err != nil && ctx.Err() != nil {
		return ctx.Err() // it was ended because of that
	}
	if err != nil || len(parts) != 4 {
		return &ProjectError{fmt.Sprintf("%s does not answer as PHP does (%v)", e.set.PHP, err), "Install php-cli, or name the binary with --php."}
	}
	if parts[2] != "1" {
		return &ProjectError{e.set.PHP + " lacks the tokenizer extension, which PHPUnit needs too", "Install or enable it."}
	}
	e.facts.PHP, e.facts.Pcntl = parts[0], parts[1] == "1"
	return e.showNeeded()
}

// noWorkDir says that there is no room for a work directory: the user's to mend.
func noWorkDir(err error) error {
	return &ProjectError{fmt.Sprintf("no work directory can be made in the temp directory %s: %v", os.TempDir(), err),
		"Make room there, or name another directory in the environment as TMPDIR."}
}

// checkTemp refuses a temp directory in the project: each view would hold all others.
func (e *Engine) checkTemp() error {
	dir, err := filepath.EvalSymlinks(e.dir)
	if err != nil {
		return noWorkDir(err)
	}
	top, err := filepath.EvalSymlinks(e.copied())
	if err == nil && sandbox.Within(top, dir) {
		return &ProjectError{fmt.Sprintf("the temp directory %s lies in the project %s", filepath.Dir(dir), top),
			"Name another directory in the environment as TMPDIR."}
	}
	return err
}

func writeHarness(dir string) error {
	if err := os.MkdirAll(filepath.Join(dir, "ini"), 0o755); err != nil {
		return err
	}
	names, err := fs.Glob(harnessFiles, "harness/*.php")
	if err != nil {
		return err
	}
	for _, name := range names {
		b, err := harnessFiles.ReadFile(name)
		if err != nil {
			return err
		}
		if err := os.WriteFile(filepath.Join(dir, filepath.Base(name)), b, 0o644); err != nil {
			return err
		}
	}
	ini := fmt.Sprintf("auto_prepend_file=\"%s\"\n", filepath.Join(dir, "Probe.php"))
	return os.WriteFile(filepath.Join(dir, "ini", "zz-assay.ini"), []byte(ini), 0o644)
}

// FindAllKills has Run find out of each test that reaches a mutant whether it
// notices it by itself; see mutate.Verdict.
func (e *Engine) FindAllKills() { e.allKills = true }

// Facts says what was found.
func (e *Engine) Facts() Facts {
	e.mu.Lock()
	defer e.mu.Unlock()
	return e.facts
}

// version gives PHPUnit's version, "" before a recording has told it.
func (e *Engine) version() string {
	e.mu.Lock()
	defer e.mu.Unlock()
	return e.facts.PHPUnit
}

func (e *Engine) knowVersion(version string) {
	e.mu.Lock()
	defer e.mu.Unlock()
	e.facts.PHPUnit = version
}

// Remarks says, a sentence each, why mutants had to be judged in slower ways than
// there are. No verdict is another for that.
func (e *Engine) Remarks() []string {
	e.mu.Lock()
	defer e.mu.Unlock()
	return slices.Clone(e.remarks)
}

func (e *Engine) remark(format string, args ...any) {
	text := fmt.Sprintf(format, args...)
	e.mu.Lock()
	defer e.mu.Unlock()
	if !slices.Contains(e.remarks, text) {
		e.remarks = append(e.remarks, text)
	}
}

// Close ends every process and removes the work directory.
func (e *Engine) Close() error {
	e.close()
	e.dropLaunched()
	e.mu.Lock()
	clients := e.clients
	e.clients = nil
	e.mu.Unlock()
	for _, c := range clients {
		c.Kill()
	}
	if e.lint != nil {
		e.lint.close()
	}
	return e.work.Remove()
}
