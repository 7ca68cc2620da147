package report

import (
	"bytes"
	"strings"
	"testing"

	"assay/mutate"
)

func neverDiffers(times int, values ...string) mutate.Seen {
	return mutate.Seen{Word: mutate.NeverDiffers, Expression: "$a < $b", Times: times, Values: values}
}

// TestEvaluations: what the tests did is said in words.
func TestEvaluations(t *testing.T) {
	more := neverDiffers(9, "1", "2", "3")
	more.More = true
	long := neverDiffers(2)
	long.Expression = "f(" + strings.Repeat("x", 30) + ") < 2"
	for want, s := range map[string]mutate.Seen{
		"":  {Word: mutate.NotObserved},
		" ": {},
		"The tests come to this place without evaluating `$a < $b`. Only another input can tell the change from the original.":                                      neverDiffers(0),
		"The tests evaluate `$a < $b` once, and with the change it comes out the same: true. Only another input can tell the two apart.":                            neverDiffers(1, "true"),
		"The tests evaluate `$a < $b` 4 times, and with the change it comes out the same each time: true, false. Only another input can tell the two apart.":        neverDiffers(4, "true", "false"),
		"The tests evaluate `$a < $b` 9 times, and with the change it comes out the same each time: 1, 2, 3 and others. Only another input can tell the two apart.": more,
		"The tests evaluate `f(xxxxxxxxxxxxxxxxx… < 2` 2 times, and with the change it comes out the same each time. Only another input can tell the two apart.":    long,
	} {
		if got := evaluations(s, 20); got != strings.TrimSpace(want) {
			t.Errorf("got  %q\nwant %q", got, want)
		}
	}
}

// TestBlockSaysOnceWhatWasSeen: and of which of its changes, where it is not all.
func TestBlockSaysOnceWhatWasSeen(t *testing.T) {
	of := func(seen ...mutate.Seen) string {
		r := orchard()
		r.Verdicts = r.Verdicts[:len(seen)]
		for i := range seen {
			r.Verdicts[i].Seen = seen[i]
		}
		return string(printed(t, formatOf(t, "text"), r, Options{Width: 60}))
	}
	both, one := of(neverDiffers(4, "true"), neverDiffers(4, "true")), of(mutate.Seen{}, neverDiffers(4, "true"))
	if n := strings.Count(both, "\n  The tests evaluate `$a < $b` 4 times"); n != 1 {
		t.Errorf("it is said %d times:\n%s", n, both)
	}
	if n := strings.Count(one, "\n  00005: The tests evaluate `$a < $b` 4 times"); n != 1 {
		t.Errorf("it is said %d times of the second:\n%s", n, one)
	}
}

// TestJSONKeepsWhatMayVary: only with timings.
func TestJSONKeepsWhatMayVary(t *testing.T) {
	r := fixture(t)
	for values, want := range map[string]bool{"true false": true, "null": true, "true 1796000000": false, "'x'": false} {
		r.Verdicts[2].Seen = neverDiffers(4, strings.Fields(values)...)
		list := `"values":["` + strings.ReplaceAll(values, " ", `","`) + `"]`
		for _, timings := range []bool{false, true} {
			text := printed(t, formatOf(t, "json"), r, Options{Timings: timings})
			if got := bytes.Contains(text, []byte(list)); got != (want || timings) {
				t.Errorf("timings %v, %s is there: %v", timings, list, got)
			}
			validate(t, text)
		}
	}
}

// TestAdviceInEachFormat: it is that of what was observed, and where that is not told
// besides, the value that was always the same is.
func TestAdviceInEachFormat(t *testing.T) {
	const input, outcome = "Add a case in which both sides are equal.", "Assert what happens when both sides are equal."
	always := neverDiffers(4, "true")
	for _, c := range []struct {
		seen         mutate.Seen
		says, except string
	}{
		{always, input, outcome},
		{mutate.Seen{Word: mutate.Differs}, outcome, input},
		{mutate.Seen{Word: mutate.NotObserved}, "No test reaches the point where both sides are equal.", input},
		{mutate.Seen{}, "No test reaches the point where both sides are equal.", outcome},
	} {
		r := fixture(t)
		r.Verdicts = r.Verdicts[2:3]
		r.Verdicts[0].Seen = c.seen
		for _, format := range []string{"text", "markdown", "github", "gitlab", "sarif", "junit", "html"} {
			got := flat(string(printed(t, formatOf(t, format), r, Options{Width: 200})))
			if format == "junit" {
				got = strings.ReplaceAll(got, "&#xA;", " ")
			}
			if format == "sarif" {
				var rules string
				if rules, got, _ = strings.Cut(got, `"results"`); !strings.Contains(rules, "No test reaches the point where both sides are equal.") {
					t.Errorf("%v: the rule has not the general text:\n%s", c.seen.Word, rules)
				}
			}
			if !strings.Contains(got, c.says) || strings.Contains(got, c.except) {
				t.Errorf("%s, %v: %q is not there, or %q is:\n%s", format, c.seen.Word, c.says, c.except, got)
			}
			told := strings.Contains(got, " is always true.")
			if told != (c.seen.Word == mutate.NeverDiffers && format != "text" && format != "html") {
				t.Errorf("%s, %v: the value that it always had is told: %v\n%s", format, c.seen.Word, told, got)
			}
		}
	}
}
