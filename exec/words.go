//go:build linux

package exec

import (
	"bytes"
	"cmp"
	"regexp"
	"slices"
	"strings"
	"sync"

	"assay/exec/recording"
	"assay/mutate"
)

// Where one table is behind all that code does, every test reaches every line of
// it, and what a test reaches does not tell for which line it was written. Its data
// do: a test of a word, a code or a rate names it. So tests that are built from data
// are run first on changes in whose lines the same words are written. That orders
// tests and decides nothing.

// How many tests are run first, of how many at least; how many tests may have a word
// that tells something, at most; and how long lists of tests of single mutants are
// in all.
const (
	mostFirst     = 6
	fewTests      = 8
	mostHaving    = 128
	mostReordered = 4_000_000
)

var (
	quoted   = regexp.MustCompile(`'(?:\\.|[^'\\])*'|"(?:\\.|[^"\\])*"`)
	dataWord = sync.OnceValue(func() *regexp.Regexp {
		return regexp.MustCompile(`[\p{L}\p{N}]{3,}`)
	})
)

// dataWords finds tests by words in their data.
type dataWords struct {
	texts  []string         // test => what its data say, in lower case
	index  map[string][]int // three bytes => tests that have them, ascending
	known  map[string][]int // word => tests that have it
	sorted map[*int][]int   // list of tests => the same, ascending
	left   int
}

func newDataWords(rows []recording.TestInfo) *dataWords {
	m := &dataWords{texts: make([]string, len(rows)), index: map[string][]int{}, known: map[string][]int{}, sorted: map[*int][]int{}, left: mostReordered}
	for i, r := range rows {
		m.texts[i] = strings.ToLower(r.Text)
		for at := range max(0, len(m.texts[i])-2) {
			three := m.texts[i][at : at+3]
			if list := m.index[three]; len(list) == 0 || list[len(list)-1] != i {
				m.index[three] = append(list, i)
			}
		}
	}
	return m
}

// having gives the tests whose data have a word, as a part of a longer one perhaps;
// nil if so many do that it says nothing.
func (m *dataWords) having(word string) []int {
	if tests, ok := m.known[word]; ok {
		return tests
	}
	least := m.index[word[:3]]
	for at := 1; at <= len(word)-3; at++ {
		if list := m.index[word[at:at+3]]; len(list) < len(least) {
			least = list
		}
	}
	var tests []int
	for _, i := range least {
		if strings.Contains(m.texts[i], word) {
			tests = append(tests, i)
		}
	}
	if len(tests) > mostHaving {
		tests = nil
	}
	m.known[word] = tests
	return tests
}

// first gives those of some tests that have most to do with a mutant, the first of
// them first. A word counts for as much as it is long, shared among the tests that
// have it.
func (m *dataWords) first(mutant *mutate.Mutant, tests []int) []int {
	if len(tests) < fewTests || len(m.index) == 0 {
		return nil
	}
	score := map[int]int{}
	for _, w := range wordsNear(mutant) {
		having := m.having(w)
		for _, i := range having {
			score[i] += 1000 * len(w) / len(having)
		}
	}
	if len(score) == 0 {
		return nil
	}
	among := m.sorted[&tests[0]]
	if len(among) != len(tests) {
		among = slices.Sorted(slices.Values(tests))
		m.sorted[&tests[0]] = among
	}
	var out []int
	for i := range score {
		if _, ok := slices.BinarySearch(among, i); ok {
			out = append(out, i)
		}
	}
	slices.SortFunc(out, func(a, b int) int { return cmp.Or(score[b]-score[a], a-b) })
	return out[:min(len(out), mostFirst)]
}

// wordsNear gives the words of the literals in the lines of a mutant, in lower case.
func wordsNear(m *mutate.Mutant) []string {
	text := m.Source.Text
	from := bytes.LastIndexByte(text[:m.Edit.Start], '\n') + 1
	to := len(text)
	if n := bytes.IndexByte(text[m.Edit.End:], '\n'); n >= 0 {
		to = m.Edit.End + n
	}
	var out []string
	for _, literal := range quoted.FindAll(text[from:min(to, from+2000)], 20) {
		for _, w := range dataWord().FindAll(literal, 20) {
			out = append(out, strings.ToLower(string(w)))
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// sortOut has the tests of a task that have most to do with it run first.
func (m *dataWords) sortOut(t *Task) {
	if len(t.Reach) == 0 || m.left < len(t.Reach) {
		return
	}
	first := m.first(t.Mutant, t.Reach)
	if len(first) == 0 {
		return
	}
	m.left -= len(t.Reach)
	t.Reach = slices.Concat(first, slices.DeleteFunc(slices.Clone(t.Reach), func(i int) bool { return slices.Contains(first, i) }))
}
