package mutate

import "time"

// A Part says which part of a run a result is, and what must be the same in all parts of
// it: then their verdicts, put together, are those of a run in one piece.
type Part struct {
	Number  int // from 1
	Of      int
	When    time.Time // the beginning, UTC, whole seconds
	Seconds float64   // that it took
	Reused  int       // verdicts of earlier runs
	LeftOut int       // mutants that are in no part (sample, changed lines)
	Ended   string    // "" where the part is whole; "budget" or "interrupted"

	Options map[string]string // that decide on mutants, tests or verdicts, by name
	Tools   map[string]string // versions and sums, by what people call them
	Inputs  map[string]string // SHA-256 of source and test files and the like, by path

	Counts []int    // mutants of each part, without those that comments skip, which are in the first
	Sums   []string // of the IDs of these

	Project string            // names what is kept of this project in a cache that was given
	Scope   string            // of a history
	Commit  string            // in short, "" for none
	Exact   map[string]string // texts that are not UTF-8, in base64, by what a result file has for them
	Units   []string          // Mutant.Unit of each verdict, in the order of a result file
}

// Planned is the number of mutants of all parts.
func (p *Part) Planned() int {
	n := 0
	for _, c := range p.Counts {
		n += c
	}
	return n
}
