package report

import (
	"fmt"
	"strings"
	"testing"

	"assay/mutate"
	"assay/mutate/syntax"
)

// most is what the result file of 50,000 mutants and 10,000 tests may have, in bytes.
const most = 30 << 20

// TestResultFileSize writes the result of a large code base: 500 files of 10 kB with a hundred
// mutants each. Five mutants share a place; one place in a hundred is reached by one test in
// five, the others by up to thirty.
func TestResultFileSize(t *testing.T) {
	const files, perFile, tests = 500, 100, 10_000
	var ids []mutate.TestID
	r := &mutate.Result{Root: "/home/harbour/ferry"}
	for i := range tests {
		id := mutate.TestID(fmt.Sprintf(`Harbour\Ferry\Tests\Unit\Crossing%dTest::testTheCrossingIsBookedOnce#%d`, i/20, i%20))
		ids = append(ids, id)
		r.Tests = append(r.Tests, mutate.Test{ID: id})
	}
	op := &mutate.Operator{ID: "relational/boundary-included"}
	place := 0
	for f := range files {
		line := "        return $this->crossings[$number]->seats > $passengers; // more\n"
		source := &mutate.Source{Path: fmt.Sprintf("src/Crossing/Crossing%d.php", f), Text: []byte("<?php\n" + strings.Repeat(line, 150))}
		var reaching []mutate.TestID
		for m := range perFile {
			if m%5 == 0 {
				place++
				reaching = nil
				for i := range tests {
					if place%100 == 0 && i%5 == place%5 || place%100 != 0 && (i+place*31)%tests < place%30+1 {
						reaching = append(reaching, ids[i])
					}
				}
			}
			at := 6 + m*len(line) + 50
			mutant := &mutate.Mutant{ID: fmt.Sprintf("Crossing%d.hasRoom.boundary-included.k%04d", f, m), Op: op, Source: source,
				Edit: mutate.Edit{Span: syntax.Span{Start: at, End: at + 1}, New: ">="}, Line: m + 2, Column: 51,
				Class: fmt.Sprintf(`Harbour\Ferry\Crossing\Crossing%d`, f), Function: "hasRoom"}
			v := mutate.Verdict{Mutant: mutant, Status: mutate.Survived, Reaching: reaching, Ran: len(reaching)}
			if m%3 > 0 {
				v.Status, v.How, v.Killer, v.Ran = mutate.Killed, mutate.Assertion, reaching[0], 1
				v.Detail = "Failed asserting that false is true."
			}
			r.Verdicts = append(r.Verdicts, v)
		}
	}
	var size counter
	if err := JSON(&size, r, Options{}); err != nil {
		t.Fatal(err)
	}
	t.Logf("%d bytes for %d mutants and %d tests", size, len(r.Verdicts), tests)
	if size > most {
		t.Errorf("%d bytes for %d mutants and %d tests; %d may be", size, len(r.Verdicts), tests, most)
	}
}

type counter int

func (c *counter) Write(b []byte) (int, error) {
	*c += counter(len(b))
	return len(b), nil
}
