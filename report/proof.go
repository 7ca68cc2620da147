package report

import (
	"errors"
	"fmt"

	"assay/mutate"
)

// A ProofEntry is a test that was seen to kill a survivor.
type ProofEntry struct {
	File  string   `json:"file"` // the name of its diff in the folder of proofs, or ""
	Test  string   `json:"test"`
	Kills []string `json:"kills"` // IDs of the mutants that it was seen to kill
	Tried int      `json:"tried"` // inputs that were tried until it was found
	// The rest is only in the result that is kept for a later look.
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

// SetProof puts a proof, with its text, into the entry of a survivor. It reports whether
// there is one.
func (d *Document) SetProof(id string, p *mutate.Proof) bool {
	e := d.Find(id)
	if e == nil || e.Status != mutate.Survived.String() {
		return false
	}
	e.Proof = proofEntry(p, Options{Tests: true})
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

// checkProof makes sure that a proof fits the verdict.
func (e *Entry) checkProof() error {
	switch {
	case e.Proof == nil:
		return nil
	case e.Status != mutate.Survived.String():
		return fmt.Errorf("it has a proof, and its status is %q", e.Status)
	case e.Proof.Test == "":
		return errors.New("its proof names no test")
	case len(e.Proof.Kills) == 0:
		return errors.New("its proof kills nothing")
	}
	return nil
}
