//go:build linux

package exec

import (
	"fmt"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"assay/mutate"
)

// seenOf says what is told of a mutant if it survives; passed are the segments that pass it,
// t.Pairs what is left of them.
func (b *Baseline) seenOf(t *Task, passed []int) (s mutate.Seen) {
	if b.seen == nil || len(passed) == 0 {
		return s
	}
	n := b.seen.number[t.Mutant]
	if n == 0 || !b.isStatement(t.Mutant) {
		return mutate.Seen{Word: mutate.NotObserved}
	}
	if len(t.Pairs) > 0 {
		others := b.seen.others[n]
		if b.seen.refused[n] || !slices.ContainsFunc(t.Pairs, func(pair int) bool { return isIn(others, pair) }) {
			return mutate.Seen{Word: mutate.NotObserved}
		}
		return mutate.Seen{Word: mutate.Differs}
	}
	site := b.seen.site[n]
	s.Word, s.Expression = mutate.NeverDiffers, b.seen.expressions[site]
	for _, segment := range passed {
		s.Times += b.seen.times[site][segment]
	}
	for _, told := range b.seen.values[site] {
		if v := literal(told); !slices.Contains(s.Values, v) {
			s.Values = append(s.Values, v)
		}
	}
	if len(s.Values) > mutate.MostSeenValues {
		s.Values, s.More = s.Values[:mutate.MostSeenValues], true
	}
	return s
}

// longestValue bounds, in bytes, what is shown of a value.
const longestValue = 40

// literal gives a value as PHP writes it, from what Observer::literal() told: a text has its
// quotation marks, and is cut.
func literal(told string) string {
	text, is := strings.CutPrefix(told, "'")
	if !is {
		return mutate.Shortened(escaped(told), longestValue)
	}
	text = mutate.Shortened(text, longestValue)
	if strings.ContainsFunc(text, unicode.IsControl) || !utf8.ValidString(text) {
		return `"` + escaped(strings.NewReplacer(`\`, `\\`, `"`, `\"`, `$`, `\$`).Replace(text)) + `"`
	}
	return "'" + strings.NewReplacer(`\`, `\\`, `'`, `\'`).Replace(text) + "'"
}

// escaped writes what would not show, as PHP does in double quotation marks.
func escaped(s string) string {
	var b strings.Builder
	for i := 0; i < len(s); {
		r, n := utf8.DecodeRuneInString(s[i:])
		switch {
		case r == '\n':
			b.WriteString(`\n`)
		case r == '\r':
			b.WriteString(`\r`)
		case r == '\t':
			b.WriteString(`\t`)
		case r == utf8.RuneError && n == 1, unicode.IsControl(r):
			for _, c := range []byte(s[i : i+n]) {
				fmt.Fprintf(&b, `\x%02X`, c)
			}
		default:
			b.WriteString(s[i : i+n])
		}
		i += n
	}
	return b.String()
}
