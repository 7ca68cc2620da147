package report

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"assay/mutate"
)

// A ProofEntry is a test that was seen to kill a survivor.
type ProofEntry struct {
	File  string   `json:"file"` // the name of its diff in the folder of proofs, or ""
	Test  string   `json:"test"`
	Kills []string `json:"kills"` // IDs of the mutants that it was seen to kill
	Tried int      `json:"tried"` // inputs that were tried until it was found
	// The rest is only in the result that is kept for a later look, and in that of a part.
	Path string `json:"path,omitempty"`
	Code string `json:"code,omitempty"`
	Diff string `json:"diff,omitempty"`
}

func proofEntry(p *mutate.Proof, o Options) *ProofEntry {
	if p == nil {
		return nil
	}
	e := &ProofEntry{File: marked(p.File), Test: marked(string(p.Test)), Kills: []string{}, Tried: p.Tried}
	for _, id := range p.Kills {
		e.Kills = append(e.Kills, marked(id))
	}
	if o.Tests {
		e.Path, e.Code, e.Diff = marked(p.Path), marked(p.Code), marked(p.Diff)
	}
	return e
}

// SetAttempt puts what came of an attempt into the entry of a survivor: the proof, with its
// text, and what the calls of the tests showed. It reports whether there is such an entry.
func (d *Document) SetAttempt(a mutate.Attempt) bool {
	e := d.Find(a.Mutant.ID)
	if e == nil || e.Status != mutate.Survived.String() {
		return false
	}
	if a.Proof != nil {
		e.Proof = proofEntry(a.Proof, Options{Tests: true})
	}
	if s, err := e.seen(); err == nil {
		e.Observed = s.With(a.Seen).Word.String()
	}
	return true
}

// proof is the inverse of proofEntry.
func (e *Entry) proof() *mutate.Proof {
	if e.Proof == nil {
		return nil
	}
	p := e.Proof
	return &mutate.Proof{Test: mutate.TestID(p.Test), Kills: p.Kills, Tried: p.Tried, File: p.File, Path: p.Path, Code: p.Code, Diff: p.Diff}
}

// proofOf gives the proof of an entry, with the texts as they are where the document knows that.
func (d *Document) proofOf(e *Entry) *mutate.Proof {
	p := e.proof()
	if p == nil {
		return nil
	}
	p.Test, p.Kills = mutate.TestID(d.exactly(string(p.Test))), slices.Clone(p.Kills)
	for i := range p.Kills {
		p.Kills[i] = d.exactly(p.Kills[i])
	}
	p.File, p.Path, p.Code, p.Diff = d.exactly(p.File), d.exactly(p.Path), d.exactly(p.Code), d.exactly(p.Diff)
	return p
}

// checkProof makes sure that a proof fits the verdict.
func (e *Entry) checkProof() error {
	switch {
	case e.Proof == nil:
		return nil
	case e.Status != mutate.Survived.String() && e.WouldBe != mutate.Survived.String():
		return fmt.Errorf("it has a proof, and its status is %q", e.Status)
	case e.Proof.Test == "":
		return errors.New("its proof names no test")
	case len(e.Proof.Kills) == 0:
		return errors.New("its proof kills nothing")
	}
	return nil
}

// proofText tells of a proof: where it belongs, its text, and what it kills besides. lead
// begins the sentence.
func proofText(f *mutate.Proof, of, lead string, o Options) string {
	var b strings.Builder
	b.WriteString(wrap(proofSaid(f, lead, o), "  ", o.Width))
	if f.Code != "" {
		b.WriteByte('\n')
		for line := range strings.Lines(outdented(f.Code)) {
			b.WriteString(strings.TrimRight("      "+paint(o.Color).added(visible(strings.TrimRight(line, "\r\n"))), " ") + "\n")
		}
		b.WriteByte('\n')
	} else {
		b.WriteString(wrap(mutate.Question, "  ", o.Width))
	}
	b.WriteString(wrap(killsSaid(f, of), "  ", o.Width))
	return b.String()
}

// proofSaid names a proof, and the file that it is for where that is known.
func proofSaid(f *mutate.Proof, lead string, o Options) string {
	if f.Path != "" {
		lead += ", for " + visible(o.Prefix+f.Path)
	}
	return lead + ": " + visible(string(f.Test)) + "."
}

// outdented takes away the blanks that all lines begin with.
func outdented(code string) string {
	least := -1
	for line := range strings.Lines(code) {
		if blank := len(line) - len(strings.TrimLeft(line, " \t")); strings.TrimSpace(line) != "" && (least < 0 || blank < least) {
			least = blank
		}
	}
	var b strings.Builder
	for line := range strings.Lines(code) {
		if strings.TrimSpace(line) != "" {
			line = line[max(least, 0):]
		}
		b.WriteString(line)
	}
	return b.String()
}

// killsSaid says in sentences what a proof was seen to do.
func killsSaid(f *mutate.Proof, of string) string {
	others := slices.DeleteFunc(slices.Clone(f.Kills), func(id string) bool { return id == of })
	for i, id := range others {
		others[i] = visible(id)
	}
	said := "It passes on the original and fails on this mutant"
	switch {
	case len(others) == 1:
		said += ", and on another one that survived: " + others[0]
	case len(others) > 1:
		said += fmt.Sprintf(", and on %d others that survived: %s", len(others), strings.Join(others, ", "))
	}
	said += "."
	if f.Tried > 0 {
		said += fmt.Sprintf(" Found after %s.", count(f.Tried, "input"))
	}
	if f.File != "" {
		said += " As a diff: " + visible(f.File) + "."
	}
	return said
}

// proofs prints those of a block, each once.
func (p *text) proofs(b block) {
	shown := map[mutate.TestID]bool{}
	for _, v := range b.Verdicts {
		f := v.Proof
		if f == nil || shown[f.Test] {
			continue
		}
		shown[f.Test] = true
		lead := "A test that kills it"
		if len(b.Verdicts) > 1 {
			lead = "A test that kills " + p.code[v.Mutant.ID]
		}
		p.printf("\n%s", proofText(f, v.Mutant.ID, lead, p.o))
	}
}
