package report

import (
	"fmt"
	"io"

	"assay/mutate"
)

// A codeQuality is an entry of GitLab's code-quality report; the fields are
// those of GitLab's documentation, from memory.
type codeQuality struct {
	Description string `json:"description"`
	CheckName   string `json:"check_name"`
	Fingerprint string `json:"fingerprint"` // the same as long as the finding is
	Severity    string `json:"severity"`    // info, minor, major, critical or blocker
	Location    struct {
		Path  string `json:"path"`
		Lines struct {
			Begin int `json:"begin"`
			End   int `json:"end,omitempty"`
		} `json:"lines"`
	} `json:"location"`
}

// GitLab writes GitLab's code-quality JSON: an entry a survivor, one for
// each function that holds code which no test runs, and one that only informs
// for what was accepted or skipped.
func GitLab(w io.Writer, r *mutate.Result, o Options) error {
	out, advice := []codeQuality{}, hints{}
	for _, g := range gaps(r) {
		if g.Status == mutate.Unreached {
			m := g.first()
			q := quality(o, m, "unreached", g.unreachedSaid())
			q.Severity = "minor"
			q.Fingerprint = hash([]byte("unreached\x00" + m.Source.Path + "\x00" + m.Where()))
			if last := g.Verdicts[len(g.Verdicts)-1].Mutant.Line; last > m.Line {
				q.Location.Lines.End = last
			}
			out = append(out, q)
			continue
		}
		for _, v := range g.Verdicts {
			q := quality(o, v.Mutant, v.Mutant.Op.ID, fmt.Sprintf("%s. %s (mutant %s)", outcome(v), flat(advice.alone(v)), v.Mutant.ID))
			q.Severity = "major"
			q.Fingerprint = hash([]byte("survived\x00" + v.Mutant.ID))
			out = append(out, q)
		}
	}
	for _, a := range exemptions(r) {
		q := quality(o, a.first(), a.Verdicts[0].Status.String(), capital(fmt.Sprintf("%s, because %s", a.said(), visible(a.Reason))))
		q.Severity = "info"
		q.Fingerprint = hash([]byte("exempt\x00" + a.first().ID + "\x00" + a.Reason))
		out = append(out, q)
	}
	return writeJSON(w, out)
}

func quality(o Options, m *mutate.Mutant, check, text string) codeQuality {
	q := codeQuality{Description: text, CheckName: check}
	q.Location.Path = o.Prefix + marked(m.Source.Path)
	q.Location.Lines.Begin = m.Line
	return q
}
