package report

import (
	"strings"
	"testing"

	"assay/mutate"
)

// Each piece of a line has the colour of what it is; the pieces of a line are all of it.
func TestPHPShades(t *testing.T) {
	t.Parallel()
	s := &mutate.Source{Path: "src/Tide.php", Text: []byte("<?php // of \"tide\"\n" +
		"final class Tide { /* a\n" +
		"b */ public const LOW = -1.5;\n" +
		"\tfunction text(?int $h): string { return \"h\xe9 {$h} m\" . 'up' ; }\n" +
		"}\n" +
		"echo <<<END\n" +
		"if $x null\n" +
		"END;\n" +
		"return null;")}
	want := []string{
		"2|<?php| 2|// of \"tide\"|",
		"34|final| 34|class| Tide { 2|/* a|",
		"2|b */| 34|public| 34|const| LOW = -35|1.5|;",
		"\t34|function| text(?34|int| 36|$h|): 34|string| { 34|return| 33|\"h\xe9 {|36|$h|33|} m\"| . 33|'up'| ; }",
		"}",
		"34|echo| 33|<<<END|",
		"33|if |36|$x|33| null|",
		"33|END|;",
		"34|return| 35|null|;",
	}
	shades := phpShades(s)
	if len(shades) != len(want) {
		t.Fatalf("%d lines, want %d", len(shades), len(want))
	}
	for n, line := range strings.Split(string(s.Text), "\n") {
		got, at, code := "", 0, ""
		for _, h := range shades[n] {
			if h.code != code {
				if code != "" {
					got += "|"
				}
				if h.code != "" {
					got += h.code + "|"
				}
			}
			got, at, code = got+line[at:h.end], h.end, h.code
		}
		if code != "" {
			got += "|"
		}
		if got != want[n] || at != len(line) {
			t.Errorf("line %d: %q, want %q", n+1, got, want[n])
		}
	}
}
