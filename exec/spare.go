package exec

import "context"

// takeSpare gives an idle worker, or starts one.
func (e *Engine) takeSpare(ctx context.Context, number int) (*worker, error) {
	e.mu.Lock()
	var w *worker
	var coming chan *worker
	if n := len(e.spare); n > 0 {
		w = e.spare[n-1]
		e.spare = e.spare[:n-1]
	} else if len(e.coming) > 0 {
		coming = e.coming[0]
		e.coming = e.coming[1:]
	}
	e.mu.Unlock()
	if coming != nil {
		var err error
		if w, err = e.await(ctx, coming); err != nil {
			return nil, err
		}
	}
	if w != nil {
		return w, nil
	}
	return e.startWorker(ctx, number)
}

// await waits for a worker that is on its way; nil where that failed. Of one that
// nobody waits for any more Close takes care.
func (e *Engine) await(ctx context.Context, c chan *worker) (*worker, error) {
	select {
	case w := <-c:
		return w, nil
	case <-ctx.Done():
		e.mu.Lock()
		defer e.mu.Unlock()
		e.left = append(e.left, c)
		return nil, ctx.Err()
	}
}

// startSpares begins to open the workers that there will be besides the first;
// nothing of the project is run before go ahead is closed, for there may be others
// of the same number until then. Where that fails they are opened when they are
// needed, and it is told then.
func (e *Engine) startSpares(known *knownRequest, goAhead <-chan struct{}) {
	if e.set.Cold || e.sharesNetwork() {
		return
	}
	for n := 2; n <= e.set.Jobs; n++ {
		c := make(chan *worker, 1)
		e.mu.Lock()
		e.coming = append(e.coming, c)
		e.mu.Unlock()
		go func() {
			w, err := e.launch(e.closing, n, false)
			if err == nil && known.IDs != nil {
				_, err = w.ask(e.closing, request{Known: known})
			}
			select {
			case <-goAhead:
			case <-e.closing.Done():
			}
			if err == nil {
				err = e.openWith(e.closing, w, nil)
			}
			if err == nil && known.IDs == nil {
				_, err = w.ask(e.closing, request{Known: known})
			}
			if err != nil {
				w = nil
			}
			c <- w
		}()
	}
}

func (e *Engine) putBack(w *worker) {
	e.mu.Lock()
	defer e.mu.Unlock()
	e.spare = append(e.spare, w)
}

// launched is what a worker was launched for.
type launched struct {
	number int
	probed bool
}

// forSurvey are the workers of a survey: a plain one, and others with probes.
func (e *Engine) forSurvey() []launched {
	all := []launched{{1, false}}
	for n := range max(1, e.set.Jobs-1) {
		all = append(all, launched{n + 2, true})
	}
	return all
}

// launchAhead launches the workers of a survey before it is asked for. Where that
// fails they are launched when they are needed, and it is told then.
func (e *Engine) launchAhead() {
	e.ahead = map[launched]chan *worker{}
	for _, l := range e.forSurvey() {
		c := make(chan *worker, 1)
		e.ahead[l] = c
		go func() {
			w, _ := e.launch(e.closing, l.number, l.probed)
			c <- w
		}()
	}
}

// takeLaunched gives a worker that was launched ahead, or launches one.
func (e *Engine) takeLaunched(ctx context.Context, l launched) (*worker, error) {
	e.mu.Lock()
	c := e.ahead[l]
	delete(e.ahead, l)
	e.mu.Unlock()
	if c != nil {
		if w, err := e.await(ctx, c); w != nil || err != nil {
			return w, err
		}
	}
	return e.launch(ctx, l.number, l.probed)
}
