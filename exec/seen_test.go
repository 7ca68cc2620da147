package exec

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"assay/exec/sandbox"
	"assay/mutate"
)

// TestSeen: what is told of survivors is what the fixture's tests do, as its source says.
func TestSeen(t *testing.T) {
	never := func(expression string, times int, values ...string) mutate.Seen {
		return mutate.Seen{Word: mutate.NeverDiffers, Expression: expression, Times: times, Values: values}
	}
	want := map[string]mutate.Seen{
		"> $draught + 1":           never("$this->depth > $draught + 1", 2, "true", "false"),
		"$length * 1":              never("$length * 1", 1, "12"),
		"$drift + 0.0":             {}, // killed
		"- $this->log->write('')":  never("$this->log->write('sum') + array_sum($tolls) - $this->log->write('')", 1, "4"),
		"$gauge->level - 0":        {Word: mutate.NotObserved}, // to ask once more runs code of the project
		"$this->berths[$name] > 0": never("isset($this->berths[$name]) && $this->berths[$name] > 0", 2, "true", "false"),
		"$n < $boats":              never("$n < $boats", 5, "true", "false"),
		"$this->step($n) + 0":      never("$this->step($n) + 0", 4, "1", "2"),
		"$hour * 6 + 0":            never("$hour * 6 + 0", 3, "6", "12", "18"),
		"@$notes['wind']":          {Word: mutate.Differs}, // the key is another one
		"$at->name !== ''":         never("$at !== null && $at->name !== '' ? $at->name : 'free'", 2, "'free'", "'pier'"),
		"array_keys($crew)":        never("array_keys($crew)", 3, "[]", "[..1 element]", "[..2 elements]"),
		"$since <= $until":         never("$since <= $until", 2, "true", "false"),
		"$tug ?? $this":            {Word: mutate.Differs}, // no test looks at the other value
		"$name . ''":               never("$name . ''", 5, `"a\nb"`, `"caf\xE9"`, "'aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa…'"),
	}
	more := want["$name . ''"]
	more.More = true
	want["$name . ''"] = more
	dir := fixtures + "/same-values"
	c := readClaims(t, dir)
	root := copyFixture(t, dir)
	got := judgeClaims(t, Settings{View: sandbox.Overlay, Root: root, PHP: lookPHP(t), PHPUnit: lookPHPUnit(t), Jobs: 2, Config: root + "/phpunit.xml"}, c.Claims)
	for i, v := range got {
		seen, is := want[c.Claims[i].Before]
		if !is {
			continue
		}
		delete(want, c.Claims[i].Before)
		if diff := cmp.Diff(seen, v.Seen); diff != "" {
			t.Errorf("%s, %v: %s", c.Claims[i].Before, v.Status, diff)
		}
	}
	for before := range want {
		t.Errorf("no claim is about %s", before)
	}
}

// TestLiteral: a value is written as PHP writes it, cut, on one line.
func TestLiteral(t *testing.T) {
	for told, want := range map[string]string{
		"true": "true", "-3": "-3", "'": "''", `'it's`: `'it\'s'`, `'a\b`: `'a\\b'`, "'a\nb$c": `"a\nb\$c"`, "'\x1b[31m": `"\x1B[31m"`,
		"'\xe9": `"\xE9"`, "'é": "'é'", "'" + "0123456789012345678901234567890123456é89": "'0123456789012345678901234567890123456…'",
		"object of A\xe9": `object of A\xE9`,
	} {
		if got := literal(told); got != want {
			t.Errorf("%q is written %s, want %s", told, got, want)
		}
	}
}
