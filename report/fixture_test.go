package report

import (
	"bytes"
	"strings"
	"testing"
	"time"

	"assay/mutate"
	"assay/mutate/syntax"
)

// The fixed list of verdicts that every format prints. Each status, code
// outside classes, a deletion over lines, bytes that are not UTF-8 and a
// control sequence in the source are all in it.

const ferry = `<?php

namespace Sound;

final class Ferry
{
    public function fits(int $cars, float $metres): bool
    {
        return $cars <= self::DECK && $metres < 4.5;
    }

    public function delay(int $knots): int
    {
        if ($knots > 40) {
            return 90;
        }

        log_wind($knots);

        return 0;
    }

    public function crew(): int
    {
        return 3 + $this->spare;
    }
}
`

const tide = "<?php\n// a lamp called \"Br\xfccke\"\nfunction lamp(): string { return \"Br\xfccke\x1b[31m\"; }\r\nfunction flood(int $h): bool { return $h > 6; }"

var fixtureOps = []*mutate.Operator{
	{ID: "relational/boundary-excluded", Doc: "The boundary is excluded: <= becomes <.\n\nNo test reaches the point where both sides are equal.",
		Input: "Add a case in which both sides are equal.", Outcome: "Assert what happens when both sides are equal."},
	{ID: "relational/boundary-included", Doc: "The boundary is included: > becomes >=.\n\nNo test reaches the point where both sides are equal."},
	{ID: "string/emptied", Doc: "A string becomes empty.\n\nThe tests run this code and none looks at the string it makes.\n\nA test that compares\nthe whole of it would."},
	{ID: "effect/call-dropped", Doc: "A call that stands alone is dropped.\n\nWhat the call brings about is checked by no test."},
	{ID: "effect/return-dropped", Doc: "An early return goes.\n\nThe tests cannot tell whether the rest of the method runs."},
	{ID: "arithmetic/sum-reversed", Doc: "+ becomes -.\n\nThe amount is never compared with a known one."},
}

// change makes a mutant from the one place in text that reads before.
func change(t testing.TB, src *mutate.Source, op int, class, function, id, before, after string) *mutate.Mutant {
	t.Helper()
	if strings.Count(string(src.Text), before) != 1 {
		t.Fatalf("fixture: %q is in %s %d times", before, src.Path, strings.Count(string(src.Text), before))
	}
	at := bytes.Index(src.Text, []byte(before))
	m := &mutate.Mutant{ID: id, Op: fixtureOps[op], Source: src, Class: class, Function: function}
	m.Edit = mutate.Edit{Span: syntax.Span{Start: at, End: at + len(before)}, New: after}
	m.Line = 1 + bytes.Count(src.Text[:at], []byte("\n"))
	m.Column = at - bytes.LastIndexByte(src.Text[:at], '\n')
	return m
}

func fixture(t testing.TB) *mutate.Result {
	f := &mutate.Source{Path: "src/Ferry.php", Text: []byte(ferry)}
	l := &mutate.Source{Path: "src/lamps.php", Text: []byte(tide)}
	all := []mutate.TestID{"Sound\\Tests\\FerryTest::testFits#0", "Sound\\Tests\\FerryTest::testFits#a long van",
		"Sound\\Tests\\FerryTest::testDelay", "Sound\\Tests\\LampTest::testName#M\xf6we"}
	r := &mutate.Result{
		Root: "/home/kai/sound", Project: "sound/ferries", PHP: "8.2.7", PHPUnit: "9.6.7", Breadth: "core",
		LeftOut: 7, Suite: 140 * time.Millisecond, Elapsed: 2340 * time.Millisecond,
		Notes: []mutate.Note{
			{Kind: "damage", Path: "src/Quay.php", Line: 14, Text: "lines 14 to 16 cannot be read (syntax error) and were left alone"},
			{Kind: "volatile", Text: "Of one thing the suite leaves another value in every run, so that only the kind of value is compared: static Sound\\Log::$began."},
		},
		Verdicts: []mutate.Verdict{
			{Mutant: change(t, l, 2, "", "lamp", "lamp-text-77", "\"Br\xfccke\x1b[31m\"", "''"), Status: mutate.Survived, Reaching: all[3:], Ran: 1, Time: 4 * time.Millisecond,
				Seen: mutate.Seen{Word: mutate.NeverDiffers, Expression: "\"Br\xfccke\x1b[31m\"", Times: 1, Values: []string{`"Br\xFCcke\x1B[31m"`}}},
			{Mutant: change(t, l, 1, "", "flood", "flood-gt-0c", "> 6", ">= 6"), Status: mutate.Stillborn},
			{Mutant: change(t, f, 0, "Sound\\Ferry", "fits", "fits-le-3a", "<= self", "< self"), Status: mutate.Survived, Reaching: all, Ran: 4, Time: 9 * time.Millisecond,
				Seen: mutate.Seen{Word: mutate.NeverDiffers, Expression: "$cars <= self::DECK && $metres < 4.5", Times: 6, Values: []string{"true", "false"}}},
			{Mutant: change(t, f, 0, "Sound\\Ferry", "fits", "fits-lt-9e", "< 4.5", "<= 4.5"), Status: mutate.Killed, Killer: all[1], How: mutate.Assertion, Reaching: all[:3], Ran: 2, Detail: "Failed asserting that true is false.", Time: 5 * time.Millisecond},
			{Mutant: change(t, f, 1, "Sound\\Ferry", "delay", "delay-gt-51", "> 40", ">= 40"), Status: mutate.TimedOut, Reaching: all[2:3], Ran: 1, Time: time.Second},
			{Mutant: change(t, f, 4, "Sound\\Ferry", "delay", "delay-return-d2", "        if ($knots > 40) {\n            return 90;\n        }\n\n", ""), Status: mutate.Survived, Reaching: all[:2], Ran: 2, Time: 8 * time.Millisecond, Seen: mutate.Seen{Word: mutate.NotObserved}},
			{Mutant: change(t, f, 3, "Sound\\Ferry", "delay", "delay-call-e0", "log_wind($knots);", ""), Status: mutate.Skipped},
			{Mutant: change(t, f, 5, "Sound\\Ferry", "crew", "crew-plus-1b", "3 + $this->spare", "3 - $this->spare"), Status: mutate.Unreached},
			{Mutant: change(t, f, 5, "Sound\\Ferry", "crew", "crew-zero-88", "return 3", "return 0"), Status: mutate.Broken, Detail: "the worker ended before it said hello"},
			{Mutant: change(t, f, 5, "Sound\\Ferry", "delay", "delay-zeros-4c", "return 0;", "return 00;"), Status: mutate.Equivalent, WouldBe: mutate.Survived, Detail: "PHP 8.2.7 compiles it to the same code as the original",
				Reaching: all[2:3], Ran: 1, Seen: mutate.Seen{Word: mutate.Differs}},
		},
	}
	r.Engine = &mutate.Figures{Tests: 4, Neutral: 0.75, States: 2, Volatile: 1, Unknown: 0,
		Compiled:   mutate.Compilations{Compared: 3, Alike: 1, Refused: []mutate.Refusal{{Why: "the change adds, subtracts or negates", Mutants: 1}}},
		NotBatched: []mutate.Reason{{Why: "not neutral", Pairs: 3}},
		Ways:       []mutate.Way{{Name: "batch", Processes: 2, Steps: 5, Time: 40 * time.Millisecond, Faults: 1200}, {Name: "played, selected", Processes: 1, Steps: 1, Time: 9 * time.Millisecond, Faults: 700}}}
	r.Verdicts[6].Mutant.Skipped = "the log is not behaviour"
	r.Verdicts[2].Proof = &mutate.Proof{Test: "Sound\\Tests\\FerryTest::testFits#full, </script>\x1b[31m", Kills: []string{"fits-le-3a", "fits-at-7d"}, Tried: 38, File: "fits-le-3a.diff",
		Path: "tests/FerryTest.php", Code: "            // " + mutate.Question + "\n            'full, </script>\x1b[31m' => [true, 24, \"Br\xfccke\"],\n",
		Diff: "--- a/tests/FerryTest.php\n+++ b/tests/FerryTest.php\n@@ -8,0 +9 @@\n+            'full, </script>\x1b[31m' => [true, 24, \"Br\xfccke\"],\n"}
	for i, id := range all {
		r.Tests = append(r.Tests, mutate.Test{ID: id, Time: time.Duration(i+1) * time.Millisecond})
	}
	return r
}
