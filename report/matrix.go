package report

import (
	"encoding/csv"
	"io"

	"assay/mutate"
)

// Matrix writes, as CSV (RFC 4180, UTF-8, lines end in CRLF), a line for each
// mutant and each test that reaches it: the mutant's ID and status, the test,
// and the outcome. That is "failed" or "passed", or "unknown" where the test was
// not needed for the verdict; with Result.AllKills none is unknown. Only mutants
// that were killed, timed out or survived are in it.
func Matrix(w io.Writer, r *mutate.Result, _ Options) error {
	out := csv.NewWriter(w)
	out.UseCRLF = true
	if err := out.Write([]string{"mutant", "status", "test", "outcome"}); err != nil {
		return err
	}
	for _, v := range sorted(r.Verdicts) {
		failed := map[mutate.TestID]bool{}
		for _, id := range v.Killers {
			failed[id] = true
		}
		switch v.Status {
		case mutate.Killed, mutate.TimedOut, mutate.Survived:
		default:
			continue
		}
		for _, id := range v.Reaching {
			outcome := "unknown"
			switch {
			case failed[id], !r.AllKills && id == v.Killer:
				outcome = "failed"
			case r.AllKills, v.Status == mutate.Survived:
				outcome = "passed"
			}
			if err := out.Write([]string{v.Mutant.ID, v.Status.String(), marked(string(id)), outcome}); err != nil {
				return err
			}
		}
	}
	out.Flush()
	return out.Error()
}
