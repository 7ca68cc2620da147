package exec

import (
	"slices"
	"strings"
	"testing"

	"assay/mutate"
	"assay/mutate/syntax"
)

// TestDataWords: the tests whose data have the words of a changed line come first,
// those with rare words before those with common ones.
func TestDataWords(t *testing.T) {
	var rows []testRow
	for _, text := range strings.Fields("sloops,sloop barges,barge Sloop-rigged,x ferries,ferry tugs,tug prams,pram sloops,sloop yawls,yawl dhows,dhow") {
		rows = append(rows, testRow{Text: text})
	}
	all := []int{8, 7, 6, 5, 4, 3, 2, 1, 0}
	for line, want := range map[string][]int{
		`yield new Rule('(s)loop$');`:                 {0, 2, 6}, // no letter of one case or the other
		`yield ['barge' => 3, "ferry" => 4];`:         {1, 3},
		`return $sloop;`:                              nil, // no literal
		`'tug' . ''; `:                                {4},
		`in_array($a, ['sloop', 'yawl', 'dhow'], 1);`: {7, 8, 0, 2, 6},
		`'og'`:       nil, // too short to say anything
		`'schooner'`: nil,
	} {
		text := "<?php\n'barge';\n" + line + "\n'ferry';\n"
		at := strings.Index(text, line)
		m := &mutate.Mutant{Source: &mutate.Source{Text: []byte(text)}, Edit: mutate.Edit{Span: syntax.Span{Start: at, End: at + 2}}}
		if got := newDataWords(rows).first(m, all); !slices.Equal(got, want) {
			t.Errorf("%s: %v, want %v", line, got, want)
		}
		if got := newDataWords(rows).first(m, all[:3]); got != nil {
			t.Errorf("%s: %v of three tests", line, got)
		}
	}
}
