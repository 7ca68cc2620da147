package proving

import (
	"math/rand/v2"
	"regexp/syntax"
	"slices"
	"strings"
)

// samplesOfEach is how many texts are made of a regular expression.
const samplesOfEach = 8

// Patterns adds, of the literals so far that are regular expressions, texts which match them.
func (w *Words) Patterns() {
	random := rand.New(rand.NewPCG(1, 2)) // the same samples each time
	for _, s := range w.Strings {
		re := parsed(s)
		if re == nil {
			continue
		}
		for range samplesOfEach {
			var b strings.Builder
			sample(&b, re, random)
			if t := b.String(); t != "" && len(t) <= 80 && !slices.Contains(w.Samples, t) && len(w.Samples) < 3*mostWords {
				w.Samples = append(w.Samples, t)
			}
		}
	}
}

// parsed reads a regular expression with its delimiters; nil where a text is none. What PCRE
// has and Go has not, as atomic groups and what looks ahead, is left out or taken for
// something like it.
func parsed(s string) *syntax.Regexp {
	if len(s) < 3 || !strings.ContainsRune("/~#{@!%", rune(s[0])) {
		return nil
	}
	last := s[0]
	if last == '{' {
		last = '}'
	}
	end := strings.LastIndexByte(s, last)
	if end < 2 {
		return nil
	}
	body, flags := s[1:end], syntax.Perl
	for _, f := range s[end+1:] {
		switch f {
		case 'i':
			flags |= syntax.FoldCase
		case 's':
			flags |= syntax.DotNL
		case 'm', 'u', 'U', 'D', 'S', 'A', 'X':
		case 'x':
			body = strings.NewReplacer(" ", "", "\n", "", "\t", "").Replace(body)
		default:
			return nil
		}
	}
	body = strings.NewReplacer("*+", "*", "++", "+", "?+", "?", "}+", "}", `\h`, `[ \t]`, `\R`, `\n`, "(?>", "(?:", `\/`, "/", `\#`, "#").Replace(body)
	re, err := syntax.Parse(body, flags)
	if err != nil {
		return nil
	}
	return re
}

// sample writes a text that a regular expression matches.
func sample(b *strings.Builder, re *syntax.Regexp, random *rand.Rand) {
	if b.Len() > 100 {
		return
	}
	times := func(least, most int) {
		if most < 0 || most > least+3 {
			most = least + 3
		}
		for range least + random.IntN(most-least+1) {
			sample(b, re.Sub[0], random)
		}
	}
	switch re.Op {
	case syntax.OpLiteral:
		for _, r := range re.Rune {
			if re.Flags&syntax.FoldCase != 0 && random.IntN(2) == 0 {
				b.WriteString(strings.ToUpper(string(r)))
			} else {
				b.WriteString(strings.ToLower(string(r)))
			}
		}
	case syntax.OpCharClass:
		if len(re.Rune) > 1 {
			i := random.IntN(len(re.Rune)/2) * 2
			b.WriteRune(readable(re.Rune[i], re.Rune[i+1], random))
		}
	case syntax.OpAnyChar, syntax.OpAnyCharNotNL:
		b.WriteByte("abx1 -<"[random.IntN(7)])
	case syntax.OpCapture, syntax.OpConcat:
		for _, sub := range re.Sub {
			sample(b, sub, random)
		}
	case syntax.OpAlternate:
		sample(b, re.Sub[random.IntN(len(re.Sub))], random)
	case syntax.OpStar:
		times(0, 3)
	case syntax.OpPlus:
		times(1, 3)
	case syntax.OpQuest:
		times(0, 1)
	case syntax.OpRepeat:
		times(re.Min, re.Max)
	}
}

// readable picks a character of a range, one that can be read if there is one.
func readable(from, to rune, random *rand.Rand) rune {
	low, high := max(from, ' '), min(to, '~')
	if low > high {
		return from
	}
	return low + rune(random.IntN(int(high-low)+1))
}
