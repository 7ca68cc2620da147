package report

import (
	"encoding/csv"
	"io"

	"assay/mutate"
)

// Kills writes, as CSV (RFC 4180, UTF-8, lines end in CRLF), a line for each
// mutant and each test that reaches it: the mutant's ID and status, the test,
// and the outcome. That is "noticed" or "green", or "unknown" where the test was
// not needed for the verdict; with Result.AllKills none is unknown. Stillborn,
// suppressed and broken mutants are left out.
func Kills(w io.Writer, r *mutate.Result, _ Options) error {
	out := csv.NewWriter(w)
	out.UseCRLF = true
	if err := out.Write([]string{"mutant", "status", "test", "outcome"}); err != nil {
		return err
	}
	for _, v := range sorted(r.Verdicts) {
		noticed := map[mutate.TestID]bool{}
		for _, id := range v.Killers {
			noticed[id] = true
		}
		switch v.Status {
		case mutate.Killed, mutate.TimedOut, mutate.Survived:
		default:
			continue
		}
		for _, id := range v.Reaching {
			outcome := "unknown"
			switch {
			case noticed[id], !r.AllKills && id == v.Killer:
				outcome = "noticed"
			case r.AllKills, v.Status == mutate.Survived:
				outcome = "green"
			}
			if err := out.Write([]string{v.Mutant.ID, v.Status.String(), marked(string(id)), outcome}); err != nil {
				return err
			}
		}
	}
	out.Flush()
	return out.Error()
}
