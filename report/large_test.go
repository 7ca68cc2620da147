package report

import (
	"fmt"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"assay/mutate"
)

// large is a result of 20,000 mutants in 200 files, with 3,000 tests.
func large() *mutate.Result { return madeUp(slices.Repeat([]int{300}, 200)) }

// madeUp is a result of files with so many lines each. Every third line has a
// mutant; 2 of 5 survived and 1 is unreached. There are 3,000 tests.
func madeUp(files []int) *mutate.Result {
	r := &mutate.Result{Project: "sound/harbour"}
	for i := range 3000 {
		r.Tests = append(r.Tests, mutate.Test{ID: mutate.TestID(fmt.Sprintf(`Sound\Tests\Quay%dTest::testBerths#a case with a name %d`, i/30, i))})
	}
	var ids []mutate.TestID
	for _, t := range r.Tests {
		ids = append(ids, t.ID)
	}
	const line = "        $berths[$pier] = max($length * 3 - $draught, self::LEAST) . ' m'; // of ship %06d\n"
	number := 0
	for f, lines := range files {
		text := "<?php\nfinal class Quay\n{\n"
		var ms []*mutate.Mutant
		src := &mutate.Source{Path: fmt.Sprintf("src/Quay%d.php", f)}
		for i := range lines {
			at := len(text)
			text += fmt.Sprintf(line, number)
			number++
			if i%3 == 0 {
				m := &mutate.Mutant{ID: fmt.Sprintf("Quay%d.berths.sum-reversed.%d", f, i), Op: fixtureOps[i%len(fixtureOps)], Source: src,
					Class: fmt.Sprintf(`Sound\Quay%d`, f), Function: fmt.Sprintf("berths%d", i/20), Line: 4 + i, Column: 36}
				m.Edit.Start, m.Edit.End, m.Edit.New = at+35, at+36, "+"
				ms = append(ms, m)
			}
		}
		src.Text = []byte(text + "}\n")
		for i, m := range ms {
			v := mutate.Verdict{Mutant: m, Status: mutate.Survived, Ran: 40, Reaching: ids[(f*10+i)%2900:][:20+i%60]}
			switch {
			case i%5 == 0:
				v.Status, v.Reaching = mutate.Unreached, nil
			case i%2 == 0:
				v.Status, v.How, v.Killer = mutate.Killed, mutate.Assertion, v.Reaching[0]
			}
			r.Verdicts = append(r.Verdicts, v)
		}
	}
	return r
}

// It opens in less than two seconds where nothing else runs; the limit here is
// for machines that are busier. A file's lines are there once it is chosen, and
// no others.
func TestPageOfTwentyThousand(t *testing.T) {
	if testing.Short() {
		t.Skip("takes long under the race detector")
	}
	began := time.Now()
	file := pageOf(t, large())
	written := time.Since(began)
	info, err := os.Stat(file)
	if err != nil {
		t.Fatal(err)
	}
	type figures struct {
		Ready, Open string
		Lines, Next int // different lines, whether in colours or not
	}
	got := ask[figures](t, file, "", wide, `const ready = document.documentElement.dataset.ready, before = performance.now();
		press("n");
		const lines = new Set(document.getElementById("p:source").textContent.match(/of ship \d{6}/g)).size, took = Math.round(performance.now() - before);
		press("n");
		return {Ready: ready, Open: String(took), Lines: lines, Next: all(".spot.here").length}`)
	t.Logf("%d bytes, written in %v; script and ready after %s ms; a file opens in %s ms", info.Size(), written, got.Ready, got.Open)
	if info.Size() > 12_000_000 {
		t.Errorf("%d bytes", info.Size())
	}
	_, after, _ := strings.Cut(got.Ready, " ")
	if ready, err := strconv.Atoi(after); err != nil || ready > 10_000 {
		t.Errorf("ready after %s ms", after)
	}
	if got.Lines != 300 || got.Next != 1 {
		t.Errorf("%d lines of the file, want 300; %d blocks are called", got.Lines, got.Next)
	}
}
