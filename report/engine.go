package report

import "assay/mutate"

// An EngineEntry says how the engine came to the verdicts; see [mutate.Figures].
type EngineEntry struct {
	Tests      int            `json:"tests"`
	Neutral    float64        `json:"neutral"` // percent
	States     int            `json:"states"`
	Volatile   int            `json:"volatile"`
	Unknown    int            `json:"unknown"`
	Changed    []ChangedEntry `json:"changed"`
	Compiled   CompiledEntry  `json:"compiled"`
	NotBatched []ReasonEntry  `json:"not_batched"`
	Ways       []WayEntry     `json:"ways"`
}

// A ChangedEntry is a [mutate.Changed].
type ChangedEntry struct {
	What  string `json:"what"`
	Tests int    `json:"tests"`
}

// A CompiledEntry is a [mutate.Compilations].
type CompiledEntry struct {
	Compared int            `json:"compared"`
	Alike    int            `json:"alike"`
	Refused  []RefusalEntry `json:"refused"`
}

// A RefusalEntry is a [mutate.Refusal].
type RefusalEntry struct {
	Why     string `json:"why"`
	Mutants int    `json:"mutants"`
}

// A ReasonEntry is a [mutate.Reason].
type ReasonEntry struct {
	Why   string `json:"why"`
	Pairs int    `json:"pairs"`
}

// A WayEntry is a [mutate.Way].
type WayEntry struct {
	Name       string   `json:"name"`
	Processes  int      `json:"processes"`
	Steps      int      `json:"steps"`
	TimeMS     *float64 `json:"time_ms"`
	PageFaults int64    `json:"page_faults"`
}

func engineEntry(f *mutate.Figures) *EngineEntry {
	if f == nil {
		return nil
	}
	e := &EngineEntry{Tests: f.Tests, Neutral: *figure(100*f.Neutral, true), States: f.States, Volatile: f.Volatile, Unknown: f.Unknown,
		Changed: []ChangedEntry{}, NotBatched: []ReasonEntry{}, Ways: []WayEntry{},
		Compiled: CompiledEntry{f.Compiled.Compared, f.Compiled.Alike, []RefusalEntry{}}}
	for _, r := range f.Compiled.Refused {
		e.Compiled.Refused = append(e.Compiled.Refused, RefusalEntry(r))
	}
	for _, c := range f.Changed {
		e.Changed = append(e.Changed, ChangedEntry(c))
	}
	for _, r := range f.NotBatched {
		e.NotBatched = append(e.NotBatched, ReasonEntry(r))
	}
	for _, w := range f.Ways {
		e.Ways = append(e.Ways, WayEntry{w.Name, w.Processes, w.Steps, ms(w.Time), w.Faults})
	}
	return e
}

// figures is the inverse of engineEntry.
func (e *EngineEntry) figures() *mutate.Figures {
	if e == nil {
		return nil
	}
	f := &mutate.Figures{Tests: e.Tests, Neutral: e.Neutral / 100, States: e.States, Volatile: e.Volatile, Unknown: e.Unknown}
	f.Compiled.Compared, f.Compiled.Alike = e.Compiled.Compared, e.Compiled.Alike
	for _, r := range e.Compiled.Refused {
		f.Compiled.Refused = append(f.Compiled.Refused, mutate.Refusal(r))
	}
	for _, c := range e.Changed {
		f.Changed = append(f.Changed, mutate.Changed(c))
	}
	for _, r := range e.NotBatched {
		f.NotBatched = append(f.NotBatched, mutate.Reason(r))
	}
	for _, w := range e.Ways {
		f.Ways = append(f.Ways, mutate.Way{Name: w.Name, Processes: w.Processes, Steps: w.Steps, Time: duration(w.TimeMS), Faults: w.PageFaults})
	}
	return f
}
