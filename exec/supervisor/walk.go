//go:build linux

package supervisor

import (
	"errors"
	"maps"
	"slices"
	"time"

	"assay/exec/recording"
	"assay/exec/sandbox"
	"assay/exec/wire"
)

// startWalk has a walker build the suite, with some files in place.
func (s *supervisor) startWalk(w Walk) (*wire.Suite, *Stop, error) {
	if err := s.putInPlace(w); err != nil {
		return nil, nil, err
	}
	setup := s.setup()
	setup.Records, setup.Volatile, setup.Forks, setup.Declared, setup.Looks = w.Records, s.known.Volatile, false, w.Declared, w.Looks
	if w.Records == "probed" {
		setup.Spool = s.spool()
	}
	began := time.Now()
	if err := s.newWalker(setup); err != nil {
		return nil, nil, err
	}
	var suite wire.Suite
	err := s.await(s.walker, func(m wire.Message) (over bool, err error) {
		if m.Kind == "suite" {
			suite, err = wire.ReadSuite(m)
			return true, err
		}
		return false, nil
	})
	s.built = time.Since(began).Microseconds()
	s.limits = suite.Fatal
	if err != nil || w.Records != "" {
		return &suite, nil, err
	}
	stop, err := s.stand()
	return &suite, stop, err
}

// putInPlace ends the walker that there is, and puts the view in order for another.
func (s *supervisor) putInPlace(w Walk) error {
	s.endWalkers()
	s.events = nil
	if err := s.killLeftovers(); err != nil {
		return err
	}
	if err := errors.Join(s.view.Restore(), s.view.Repair()); err != nil {
		return err
	}
	s.texts, s.away = map[string][]byte{}, false
	for path, text := range w.Texts {
		s.texts[path] = text
	}
	if s.first != nil && len(s.known.Preload) > 0 && len(s.open.Setup.Preload) == 0 || s.first != nil && isClosed(s.first.peer.closed) || s.first == nil && s.open.Forks {
		s.open.Setup.Preload = s.known.Preload
		err := s.startFirst(s.known.Preload)
		if err == nil && s.facts.Foreign { // a bootstrap has some of PHPUnit's classes loaded from elsewhere
			s.known.Preload, s.open.Setup.Preload = nil, nil
			err = s.startFirst(nil)
		}
		if err != nil {
			return err
		}
	}
	if len(s.texts) > 0 {
		if err := s.view.Swap(s.texts); err != nil {
			return errors.Join(err, s.view.Restore())
		}
	}
	s.opens.Settle()
	return nil
}

// newWalker forks a walker from the first process, or starts one.
func (s *supervisor) newWalker(setup wire.Setup) (err error) {
	s.shield(s.first)                          // the walker runs tests, whose children may signal it
	if s.first == nil || setup.Records != "" { // of a recording the exit status is wanted, and perhaps a spool file
		s.walker, err = s.startPHP(setup)
		return err
	}
	s.walker = &process{peer: s.socket.expect(), output: s.first.output}
	return s.forkWalker(s.first, s.walker, wire.Order{Setup: &setup})
}

// forkWalker has one process fork another, which is to obey an order.
func (s *supervisor) forkWalker(from, p *process, order wire.Order) error {
	s.serial++
	order.Op, order.ID, order.Token = "fork", s.serial, p.peer.token
	if err := from.peer.send(order); err != nil {
		return err
	}
	err := s.await(from, func(m wire.Message) (bool, error) {
		switch {
		case m.Kind == "nofork":
			return false, errors.New("php could not fork; is there memory and room for processes?")
		case m.Kind != "forked" || m.Number(0) != s.serial:
			return false, nil
		}
		p.pid = m.Number(1)
		p.peer.belongsTo(p.pid)
		return true, nil
	})
	if err != nil {
		return err
	}
	return s.await(p, func(m wire.Message) (bool, error) { return m.Kind == "hello", nil })
}

// stand waits until the walker stands.
func (s *supervisor) stand() (*Stop, error) {
	stop := &Stop{}
	err := s.await(s.walker, func(m wire.Message) (bool, error) {
		if m.Kind != "at" {
			return false, nil
		}
		return true, m.Read(&stop.Boundary, &stop.Changes)
	})
	if err != nil {
		return nil, err
	}
	s.at = stop.Boundary
	stop.Events, s.events = s.events, nil
	if stop.Files, err = s.acceptFiles(); len(stop.Files) > 0 {
		s.endKept() // they have run without these
	}
	return stop, err
}

// advance lets the walker go on.
func (s *supervisor) advance(a Advance) (*Stop, error) {
	if a.Keep {
		s.keep() // with what is in place for it now: a replay may be made of the first process there
	}
	if err := errors.Join(s.putBack(a.Before), s.textsBack()); err != nil {
		return nil, err
	}
	if err := s.letGoOn(a); err != nil {
		return nil, err
	}
	stop, err := s.stand()
	if err != nil {
		return nil, err
	}
	return stop, s.putBack(a.Loaded)
}

// letGoOn has the walker go on, or a process that is forked from it and takes its place.
func (s *supervisor) letGoOn(a Advance) error {
	if !s.isKept() {
		s.shield(append(s.keptProcesses(), s.first)...)
		return s.walker.peer.send(wire.Order{Op: "go", Until: a.Until})
	}
	stays := s.walker
	s.shield(append(s.keptProcesses(), s.first)...)
	s.walker = &process{peer: s.socket.expect(), output: stays.output}
	return s.forkWalker(stays, s.walker, wire.Order{Until: a.Until})
}

// putBack puts the project's own text back for files that have been loaded.
func (s *supervisor) putBack(loaded []string) error {
	n := len(s.texts)
	for _, path := range loaded {
		delete(s.texts, path)
	}
	if len(s.texts) == n {
		return nil
	}
	return s.onlyTexts()
}

// onlyTexts has no files swapped but those that are to be in place for the walker.
func (s *supervisor) onlyTexts() error {
	err := s.view.Only(s.texts)
	s.away = err != nil
	s.opens.Settle()
	return err
}

// putAway has the project's own text in all files until textsBack.
func (s *supervisor) putAway() error {
	s.away = true
	err := s.view.Restore()
	s.opens.Settle()
	return err
}

// textsBack has the walker's texts be in place again, if they have been put away.
func (s *supervisor) textsBack() error {
	if !s.away {
		return nil
	}
	return s.onlyTexts()
}

// acceptFiles makes what the walker has left in files a part of the view, and says
// what it is.
func (s *supervisor) acceptFiles() (map[string]string, error) {
	files, err := s.changedFiles()
	if err != nil || len(files) == 0 {
		return files, err
	}
	// Swapped files would be accepted with their present text.
	if err := s.view.Restore(); err != nil {
		return files, err
	}
	if err := s.view.Accept(); err != nil {
		return files, err
	}
	return files, s.onlyTexts()
}

// record runs the whole suite and tells of every segment.
func (s *supervisor) record(w Walk, rep *reply) error {
	end := s.ports.Watch(w.Watch)
	suite, _, err := s.startWalk(w)
	if rep.Suite = suite; err != nil {
		return err
	}
	run := &recording.Run{Suite: *suite, Root: s.view.Root(), Built: s.built, Ran: map[int]recording.Ran{}}
	rec := &recorder{s: s, run: run, looks: w.Looks, test: -1, tail: map[int]int{}}
	rep.Run = run
	rep.Outcome = &Outcome{Running: -1, Exit: -1}
	err = rec.watch(rep.Outcome)
	run.Events = append(s.events, run.Events...)
	s.events = nil
	for _, port := range end() {
		rep.Outcome.Ports = append(rep.Outcome.Ports, port)
	}
	s.endWalkers()
	return errors.Join(err, s.killLeftovers(), s.view.Restore(), s.view.Repair())
}

// recorder takes in what a recorded run tells.
type recorder struct {
	s     *supervisor
	run   *recording.Run
	looks []int // boundaries at which the process waits; nil: all
	test  int   // that is running
	name  string
	tail  map[int]int // points that are passed behind the last test
	// offspring is what the process had started at the last boundary; see sandbox.Offspring.
	offspring string
	started   int // the last process that was started, as of then; see sandbox.LastStarted
}

// watch follows the run until the process has ended.
func (r *recorder) watch(o *Outcome) error {
	p := r.s.walker
	for {
		select {
		case m := <-p.peer.messages:
			if err := r.hear(m, o); err != nil {
				return err
			}
		case <-p.exited:
			p.peer.drained(true)
			for len(p.peer.messages) > 0 {
				if err := r.hear(<-p.peer.messages, o); err != nil {
					return err
				}
			}
			return r.over(o)
		}
	}
}

// over notes how the process ended.
func (r *recorder) over(o *Outcome) error {
	o.Running, o.RunName = r.test, r.name
	noteExit(o, r.s.walker.cmd)
	time.Sleep(time.Millisecond) // let the output arrive
	o.Output = r.s.walker.output.take()
	files, err := r.s.changedFiles()
	for len(r.run.Segments) <= len(r.run.Suite.Segments) {
		r.empty()
	}
	r.run.Segments = append(r.run.Segments, wire.Segment{N: len(r.run.Segments), Points: wire.CountsOf(r.tail)})
	r.run.Files = append(r.run.Files, files)
	r.run.Opened = append(r.run.Opened, r.s.opens.Count())
	return err
}

func (r *recorder) hear(m wire.Message, o *Outcome) error {
	switch m.Kind {
	case "segment":
		seg, err := wire.ReadSegment(m)
		if err != nil {
			return err
		}
		return r.add(seg)
	case "start":
		r.test, r.name = m.Number(0), m.Text(1)
	case "end":
		if n := m.Number(0); n >= 0 {
			r.run.Ran[n] = recording.Ran{Time: time.Duration(m.Number(1)) * time.Microsecond, Assertions: m.Number(2), Ended: true}
		}
		r.test, r.name = -1, ""
	case "event":
		e, err := wire.ReadEvent(m)
		r.run.Events = append(r.run.Events, e)
		return err
	case "done":
		d, err := wire.ReadDone(m)
		o.Done, r.run.Memory, r.run.Limit, r.run.Classes, r.run.Declared = true, d.Memory, d.Limit, d.Classes, d.Declared
		return err
	case "values":
		v, err := wire.ReadValues(m)
		r.addValues(v)
		return err
	case "refused":
		return m.Read(&r.run.Refused)
	case "unfit":
		return errors.New(m.Text(0))
	case "tail":
		r.tail[m.Number(0)]++
	case "last":
		o.Last = m.Text(0)
	}
	return nil
}

func (r *recorder) addValues(v wire.Values) {
	if r.run.Values == nil {
		r.run.Values = map[int][]string{}
	}
	for i, site := range v.Sites {
		r.run.Values[site] = append(r.run.Values[site], v.Literals[i])
	}
}

// add keeps what was recorded of a segment, and lets the next begin.
func (r *recorder) add(seg wire.Segment) error {
	if r.looks != nil && seg.N >= 0 && !r.looksAt(seg.Next) {
		for len(r.run.Segments) <= seg.N {
			r.empty()
		}
		was := &r.run.Segments[seg.N]
		was.Time += seg.Time
		was.Points.Join(seg.Points)
		return nil
	}
	opened := r.s.opens.Count()
	files, err := r.s.acceptFiles()
	if err != nil {
		return err
	}
	if len(files) > 0 {
		r.s.opens.Settle()
	}
	if n := len(r.run.Segments); seg.N < 0 && n > 0 { // nothing was run since the last boundary, but PHPUnit's own work
		seg.N = n - 1
	}
	for len(r.run.Segments) <= seg.N { // left out, as tests of a class that skips itself are
		r.empty()
	}
	n := seg.N
	if r.run.Alive[n], err = r.lives(n); err != nil {
		return err
	}
	was := &r.run.Segments[n]
	was.Time += seg.Time
	was.Held += seg.Held
	was.Files, was.Used, was.Foreign = append(was.Files, seg.Files...), append(was.Used, seg.Used...), append(was.Foreign, seg.Foreign...)
	was.Looked = append(was.Looked, seg.Looked...)
	was.Points.Join(seg.Points)
	was.Changes, was.Unknown = merge(was.Changes, seg.Changes), seg.Unknown
	r.run.Files[n] = merge(r.run.Files[n], files)
	if r.run.Opened[n] == nil {
		r.run.Opened[n] = map[string]int{}
	}
	for path, times := range opened {
		r.run.Opened[n][path] += times
	}
	return r.s.walker.peer.send(wire.Order{Op: "go"})
}

func (r *recorder) looksAt(boundary int) bool {
	_, found := slices.BinarySearch(r.looks, boundary)
	return found
}

// lives reports whether processes live that the tests have started. Where none did before,
// and no process has been started since, none do.
func (r *recorder) lives(n int) (bool, error) {
	quiet := n > 0 && !r.run.Alive[n-1]
	last := sandbox.LastStarted(r.s.walker.pids())
	if quiet && last > 0 && last == r.started {
		return false, nil
	}
	r.started = last
	before := r.offspring
	r.offspring = sandbox.Offspring(r.s.walker.pids())
	if quiet && before != "" && before == r.offspring {
		return false, nil
	}
	r.run.Segments[n].Starts = true
	return sandbox.Living(func(pid int) bool { return slices.Contains(r.s.walker.pids(), pid) })
}

// merge adds the entries of one map to another.
func merge[M ~map[K]V, K comparable, V any](into, from M) M {
	if into == nil {
		return from
	}
	maps.Copy(into, from)
	return into
}

// empty stands for a segment in which nothing was run.
func (r *recorder) empty() {
	r.run.Segments = append(r.run.Segments, wire.Segment{N: len(r.run.Segments)})
	r.run.Files = append(r.run.Files, nil)
	r.run.Opened = append(r.run.Opened, nil)
	r.run.Alive = append(r.run.Alive, len(r.run.Alive) > 0 && r.run.Alive[len(r.run.Alive)-1])
}
