package report

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
	"testing"

	"assay/mutate"
)

// worthies is a result of one function a line, of which the survivors are worth less and less: the
// last function has most of them, and nothing is known of it.
func worthies() *mutate.Result {
	text := "<?php\n" + strings.Repeat("$tide = $moon + $wind;\n", 60)
	src := &mutate.Source{Path: "src/tide.php", Text: []byte(text)}
	r := &mutate.Result{}
	add := func(function string, line int, op int, v mutate.Verdict) {
		m := &mutate.Mutant{ID: fmt.Sprintf("%s.%d", function, line), Op: fixtureOps[op], Source: src, Function: function, Line: line + 1, Column: 1}
		m.Edit.Start = len("<?php\n") + (line-1)*len("$tide = $moon + $wind;\n")
		m.Edit.End, m.Edit.New = m.Edit.Start+5, "$wave"
		if v.Mutant, v.Status = m, mutate.Survived; v.Proof != nil {
			v.Proof.Kills = []string{m.ID}
		}
		r.Verdicts = append(r.Verdicts, v)
	}
	for i := range 30 {
		add("ebb", i+1, 5, mutate.Verdict{Seen: mutate.Seen{Word: mutate.NotObserved}})
	}
	add("spring", 31, 3, mutate.Verdict{Seen: mutate.Seen{Word: mutate.NeverDiffers, Expression: "$tide"}})
	add("neap", 32, 2, mutate.Verdict{Seen: mutate.Seen{Word: mutate.Absorbed}})
	add("flood", 33, 1, mutate.Verdict{Seen: mutate.Seen{Word: mutate.Unasserted}})
	add("ebb", 34, 0, mutate.Verdict{Seen: mutate.Seen{Word: mutate.NotObserved}, Proof: &mutate.Proof{Test: "TideTest::testEbb"}})
	return r
}

// TestWhatIsWorthLeastComesLast: by survivor and by function, also where functions have many
// survivors of little worth; and a brief report leaves these out.
func TestWhatIsWorthLeastComesLast(t *testing.T) {
	r := worthies()
	var functions []string
	for _, g := range gaps(r) {
		functions = append(functions, g.first().Function)
		if g.first().Function == "ebb" && g.first().ID != "ebb.34" {
			t.Errorf("ebb begins with %s", g.first().ID)
		}
	}
	if want := []string{"ebb", "flood", "neap", "spring"}; !slices.Equal(functions, want) {
		t.Errorf("functions %v, want %v", functions, want)
	}
	for brief, least := range map[bool]int{true: 16, false: 30} {
		text := string(printed(t, formatOf(t, "text"), r, Options{Brief: brief}))
		head, tail, found := strings.Cut(text, "\nLeast likely to show a gap")
		entries := regexp.MustCompile(`(?m)^src/tide.php:(\d+):1$`)
		if n := len(entries.FindAllString(head, -1)); !found || n != 4 {
			t.Errorf("brief %v: %d entries before the least likely ones, want 4:\n%s", brief, n, head)
		}
		if n := len(entries.FindAllString(tail, -1)); n != least {
			t.Errorf("brief %v: %d of the least likely ones, want %d", brief, n, least)
		}
	}
	for i := range r.Verdicts { // where no tests were looked for nothing is known to be unlikely
		r.Verdicts[i].Proof, r.Verdicts[i].Seen = nil, mutate.Seen{}
	}
	if text := string(printed(t, formatOf(t, "text"), r, Options{})); strings.Contains(text, "Least likely") {
		t.Errorf("without a search:\n%s", text)
	}
}
