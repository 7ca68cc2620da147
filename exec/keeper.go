package exec

import (
	"encoding/gob"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"sort"
	"strings"
	"time"

	"assay/exec/sandbox"
)

// keeper is the process that owns one worker's view and its PHP processes. It
// runs inside the view's namespaces, as the first process there where the
// machine can, and does one thing at a time: a request, a reply.
type keeper struct {
	view     *sandbox.View
	board    *switchboard
	guard    *sandbox.Guard
	opens    *sandbox.OpenWatch
	listens  *sandbox.PortWatch // nil: the network is its own
	req      openRequest
	php      *phpProcess // stage 0, or nil
	stage0   *peer
	stage1   *peer
	pid1     int // of stage 1
	late     lateStages
	whole    wholeStage
	facts    stageFacts
	files0   map[string]bool // relative to the root
	files1   map[string]bool
	times    []int64
	long     []int // tests that take longer than telling of them may be put off; nil when no times are known
	memory   int64
	opening  int64       // microseconds from a process's start to the first test
	early    [][2]string // classes of PHPUnit that every whole run loads, with their files
	ids      []string    // the names of the tests; nil when two have the same
	unwinds  bool
	told     [][2]string // the classes that the stages were asked to have early
	prepared bool        // and they have
	early0   bool        // stage 0 has them; else stage 1 loads them before it is ready
	serial   int
}

// keep serves requests until in ends.
func keep(view *sandbox.View, in io.Reader, out io.Writer) error {
	board, err := newSwitchboard()
	if err != nil {
		return err
	}
	defer board.close()
	guard, err := sandbox.NewGuard(view)
	if err != nil {
		return err
	}
	defer guard.Close()
	k := &keeper{view: view, board: board, guard: guard, opens: sandbox.WatchOpens(view.Root()), listens: sandbox.WatchPorts(view)}
	defer k.stopPHP()
	dec, enc := gob.NewDecoder(in), gob.NewEncoder(out)
	for {
		var req request
		if err := dec.Decode(&req); err != nil {
			if errors.Is(err, io.EOF) {
				return nil
			}
			return err
		}
		if err := enc.Encode(k.serve(req)); err != nil {
			return err
		}
	}
}

func (k *keeper) serve(req request) (rep reply) {
	var err error
	switch {
	case req.Open != nil:
		k.req = *req.Open
		rep.Stage, err = k.openProject()
	case req.Run != nil:
		rep.Outcome, err = k.run(*req.Run)
	case req.Bare != nil:
		rep.Outcome, err = k.bare(*req.Bare)
	case req.Known != nil:
		err = k.know(*req.Known)
		rep.Whole, rep.Sequences, rep.Unfit, rep.Anew = k.whole.files, k.whole.sequences, k.whole.unfit, k.whole.anew
	}
	if err != nil {
		rep.Failure = err.Error()
	}
	return rep
}

// know takes in what the survey found, and makes the stages anew with PHPUnit's
// classes in them: in stage 0 if they come from the same files there as in a
// whole run, for a bootstrap may have others loaded; else in stage 1.
func (k *keeper) know(known knownRequest) error {
	k.times, k.memory, k.long = known.Times, known.Memory, []int{}
	for i, t := range known.Times {
		if t > longTest {
			k.long = append(k.long, i)
		}
	}
	k.whole.want = known.Schemata
	if k.stage1 == nil {
		return k.knowBefore(known)
	}
	if len(known.Preload) == 0 || k.prepared && known.Unwinds == k.unwinds && slices.Equal(known.Preload, k.told) && !isClosed(k.stage1.closed) {
		return k.startWhole()
	}
	k.take(known, namesOf(k.facts.Tests), !k.facts.Wrapped)
	err := k.teachStages()
	if err == nil && k.facts.Foreign {
		k.early0 = false
		err = k.startStages()
	}
	if k.prepared = err == nil; err != nil {
		return err
	}
	if err := k.view.Accept(); err != nil {
		return err
	}
	return k.startWhole()
}

// knowBefore is know where nothing of the project has been loaded yet: stage 0 is
// told what will be the same as in another worker.
func (k *keeper) knowBefore(known knownRequest) error {
	if k.stage0 == nil || isClosed(k.stage0.closed) || len(known.Preload) == 0 || len(known.IDs) == 0 {
		return nil
	}
	k.take(known, known.IDs, true)
	err := k.teachStage0()
	if err == nil && k.facts.Foreign {
		k.early0 = false
		err = k.startStage0(nil)
	}
	k.prepared = err == nil
	return err
}

// take keeps what setup will tell stage 0; early0: it is to load PHPUnit's classes.
func (k *keeper) take(known knownRequest, ids []string, early0 bool) {
	k.told, k.early = known.Preload, slices.Clone(known.Preload)
	for i := range k.early {
		k.early[i][1] = strings.ReplaceAll(k.early[i][1], rootMark, k.view.Root())
	}
	k.ids, k.unwinds, k.early0 = ids, known.Unwinds, early0
}

func (k *keeper) teachStage0() error {
	s := k.setup(nil)
	if err := k.stage0.send(order{Op: "learn", Setup: &s}); err != nil {
		return err
	}
	if err := k.await(k.stage0, nil); err != nil {
		return err
	}
	k.files0 = k.relative(k.facts.Files0)
	return nil
}

// teachStages has stage 0, which has seen nothing of the project, load more, and
// makes the next stages anew.
func (k *keeper) teachStages() error {
	if !k.early0 || isClosed(k.stage0.closed) {
		return k.startStages()
	}
	if k.pid1 > 0 && sandbox.Alive(k.pid1) {
		sandbox.KillGroup(k.pid1)
	}
	k.board.forget(k.stage1)
	k.stage1, k.pid1 = nil, 0
	k.dropLate()
	k.endWhole()
	if err := k.teachStage0(); err != nil {
		return err
	}
	return k.startStage1()
}

// longTest is the time, in microseconds, that a test must take to be told of at
// once.
const longTest = 500

// namesOf gives the names of tests; nil where two have the same.
func namesOf(tests []testRow) []string {
	seen, names := map[string]bool{}, []string{}
	for _, t := range tests {
		if seen[t.ID] {
			return nil
		}
		seen[t.ID] = true
		names = append(names, t.ID)
	}
	return names
}

// earlyIn1 names the classes that a stage after stage 0 has to load.
func (k *keeper) earlyIn1() []string {
	if k.early0 {
		return nil
	}
	names := make([]string, len(k.early))
	for i, c := range k.early {
		names[i] = c[0]
	}
	return names
}

// openProject puts the lasting files in place and starts the stages.
func (k *keeper) openProject() (stageFacts, error) {
	if k.req.Launch {
		if !k.req.Forks {
			return stageFacts{}, nil
		}
		return k.facts, k.startStage0(nil)
	}
	if len(k.req.Swap) > 0 {
		if err := k.view.Swap(k.req.Swap); err != nil {
			return stageFacts{}, err
		}
		k.opens.Settle()
	}
	if k.stage0 != nil && !isClosed(k.stage0.closed) {
		if err := k.startStage1(); err != nil {
			return k.facts, err
		}
	} else if err := k.startStages(); err != nil {
		return k.facts, err
	}
	k.facts.Opened = k.opens.Take()
	k.facts.Ports = k.listens.Held()
	// What bootstrap and suite building left in the tree is there in every
	// cold run as well, for they run first: it is no damage.
	err := k.view.Accept()
	k.opens.Settle()
	return k.facts, err
}

// startStages starts stage 0 and, from it, stage 1. Where PHP cannot fork a
// single process describes the suite and ends.
func (k *keeper) startStages() error {
	began := time.Now()
	defer func() { k.opening = time.Since(began).Microseconds() }()
	if !k.req.Forks {
		err := k.startStage0(&order{Op: "describe"})
		if err == nil {
			k.stopPHP()
		}
		return err
	}
	if err := k.startStage0(nil); err != nil {
		return err
	}
	return k.startStage1()
}

// startStage0 starts PHP; alone has it do that and end.
func (k *keeper) startStage0(alone *order) error {
	k.stopPHP()
	k.facts = stageFacts{Root: k.view.Root(), Notes: k.view.Notes()}
	p, peer, err := k.startPHP(alone)
	if err != nil {
		return err
	}
	k.php, k.stage0 = p, peer
	if err := k.await(peer, alone); err != nil || alone != nil {
		return err
	}
	k.files0 = k.relative(k.facts.Files0)
	return nil
}

func (k *keeper) startStage1() error {
	k.stage1 = k.board.expect()
	k.serial++
	if err := k.stage0.send(order{Op: "stage", ID: k.serial, Token: k.stage1.token, Preload: k.earlyIn1()}); err != nil {
		return err
	}
	if err := k.await(k.stage1, nil); err != nil {
		return err
	}
	k.files1 = k.relative(k.facts.Files1)
	return nil
}

// startupTime bounds how long a stage may take to be ready. Bootstraps that
// build caches or databases take their time.
const startupTime = 5 * time.Minute

// await reads a stage's messages until it is ready. alone is for a process
// that is no stage but only describes the suite.
func (k *keeper) await(p *peer, alone *order) error {
	stage := 1
	if p == k.stage0 {
		stage = 0
	}
	deadline := time.NewTimer(startupTime)
	defer deadline.Stop()
	closed, exited := p.closed, k.php.exited
	for {
		select {
		case <-exited:
			exited = nil
			if p.drained(true); len(p.messages) == 0 {
				return k.died(stage)
			}
		case m := <-p.messages:
			switch m.kind {
			case "unfit":
				why, _ := get[string](m, 0)
				return errors.New(why)
			case "others":
				k.facts.Others, _ = get[[]string](m, 0)
			case "hello":
				if stage == 0 {
					if err := p.send(k.setup(alone)); err != nil {
						return err
					}
				} else {
					k.pid1, _ = get[int](m, 0)
				}
			case "stage":
				return k.noteStage(m)
			}
		case <-closed:
			closed = nil
			if len(p.messages) == 0 {
				return k.died(stage)
			}
		case <-deadline.C:
			return fmt.Errorf("the suite was not ready after %v", startupTime)
		}
	}
}

// died says what a stage that did not come printed at its end.
func (k *keeper) died(stage int) error {
	time.Sleep(20 * time.Millisecond) // let the output arrive
	k.facts.Output = k.php.output.take()
	if stage == 0 {
		return fmt.Errorf("php ended before PHPUnit was loaded: %s", lastLines(k.facts.Output, 5))
	}
	return fmt.Errorf("php ended while the suite was being prepared: %s", lastLines(k.facts.Output, 12))
}

func (k *keeper) noteStage(m message) error {
	stage, _ := get[int](m, 0)
	files, ok := get[[]string](m, 1)
	if !ok {
		return errors.New("a stage named no files")
	}
	if stage == 0 {
		k.facts.Files0 = files
		k.facts.PHPUnit, _ = get[string](m, 2)
		k.facts.Foreign, _ = get[bool](m, 3)
		return nil
	}
	k.facts.Files1 = files
	k.facts.Wrapped, _ = get[bool](m, 6)
	k.facts.Unfit, _ = get[[]int](m, 7)
	rows, ok := get[[][]any](m, 2)
	if !ok {
		return errors.New("the suite was not described")
	}
	k.facts.Tests = make([]testRow, len(rows))
	for i, r := range rows {
		row, err := asTestRow(r)
		if err != nil {
			return err
		}
		k.facts.Tests[i] = row
	}
	k.facts.Built = map[string][]int{}
	built, _ := get[map[string]map[int]bool](m, 3)
	for owner, points := range built {
		k.facts.Built[owner] = slices.Sorted(maps.Keys(points))
	}
	k.facts.Fatal, _ = get[map[string]bool](m, 4)
	if v, ok := get[string](m, 5); ok {
		k.facts.PHPUnit = v // cold processes have no stage 0
	}
	return nil
}

func asTestRow(r []any) (t testRow, err error) {
	defer func() {
		if recover() != nil {
			err = fmt.Errorf("a test was described as %v", r)
		}
	}()
	t = testRow{ID: r[0].(string), Class: r[1].(string), Method: r[2].(string), File: r[4].(string)}
	if len(r) > 6 {
		t.Text = r[6].(string)
	}
	for _, d := range r[3].([]any) {
		t.Depends = append(t.Depends, d.(string))
	}
	for _, o := range r[5].([]any) {
		t.Objects = append(t.Objects, int(o.(float64)))
	}
	return t, nil
}

func (k *keeper) setup(alone *order) setup {
	s := k.req.Setup
	s.Op, s.Alone = "setup", alone
	if k.early0 && alone == nil {
		s.Preload = k.early
		s.IDs, s.Unwinds = k.ids, k.unwinds
	}
	s.Argv = slices.Clone(s.Argv)
	for i, a := range s.Argv {
		s.Argv[i] = strings.ReplaceAll(a, rootMark, k.view.Root())
	}
	s.PHPUnit = strings.ReplaceAll(s.PHPUnit, rootMark, k.view.Root())
	if s.Probed {
		s.Spool = filepath.Join(k.view.Temp(), spoolName)
	}
	return s
}

// rootMark stands for the view's root in what the host sends.
const rootMark = "\x00root\x00"

// spoolName is where processes that are not the harness's own leave the points
// they passed.
const spoolName = ".assay-points"

// relative keeps the files below the root, relative to it, with slashes.
func (k *keeper) relative(files []string) map[string]bool {
	out := map[string]bool{}
	for _, f := range files {
		if rel, err := filepath.Rel(k.view.Root(), f); err == nil && rel != ".." && !strings.HasPrefix(rel, "../") {
			out[filepath.ToSlash(rel)] = true
		}
	}
	return out
}

func (k *keeper) stopPHP() {
	if k.php != nil {
		k.php.kill()
	}
	for _, p := range []*peer{k.stage0, k.stage1} {
		if p != nil {
			k.board.forget(p)
		}
	}
	k.dropLate()
	k.endWhole()
	k.php, k.stage0, k.stage1, k.pid1 = nil, nil, nil, 0
}

func lastLines(s string, n int) string {
	lines := strings.Split(strings.TrimSpace(s), "\n")
	if len(lines) > n {
		lines = lines[len(lines)-n:]
	}
	text := strings.Join(lines, "\n")
	if text == "" {
		return "it printed nothing"
	}
	return text
}

// environment is what PHP gets: the user's own, the worker's temp directory.
func (k *keeper) environment() []string {
	env := append(slices.Clone(k.req.Env), "TMPDIR="+k.view.Temp())
	if k.req.Setup.Probed {
		env = append(env, "ASSAY_SPOOL="+filepath.Join(k.view.Temp(), spoolName))
	}
	sort.Strings(env)
	return env
}

func init() {
	sandbox.RegisterJob("keep", func(v *sandbox.View, _ string) error {
		EaseCollector()
		return keep(v, os.Stdin, os.Stdout)
	})
}

// killLeftovers ends what the child started and left, the stages aside.
func (k *keeper) killLeftovers() error {
	stage0 := 0
	if k.php != nil {
		stage0 = k.php.cmd.Process.Pid
	}
	_, err := sandbox.KillStrays(func(pid int) bool { return pid == stage0 || pid == k.pid1 || pid == k.whole.pid || k.late.has(pid) })
	return err
}
