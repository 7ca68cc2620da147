package mutate

import (
	"fmt"
	"unicode/utf8"
)

// Seen is what was observed of a mutant that survived: whether the changed expression ever
// had another value than the original's while the suite was recorded. The zero Seen says
// nothing: nobody looked.
type Seen struct {
	Word       SeenWord
	Expression string // the one that was observed, as it stands in the source, on one line; perhaps only its beginning
	Times      int    // how often the tests that pass it have evaluated it
	Values     []string
	More       bool // Values are not all that it had
}

// SeenWord is the short of it.
type SeenWord uint8

const (
	SeenUnset    SeenWord = iota
	NeverDiffers          // it had the same value as the original's each time
	NotObserved           // its values were not compared, or not in all tests that pass it
	Differs               // it had another value in some test, and none failed
	// Unasserted: a call that a test makes, made again as it is, has another outcome: a result,
	// an exception, an argument afterwards or public state. No assertion told.
	Unasserted
	// Absorbed: it had another value in some test, and all calls of the tests that reach it, made
	// again as they are, have the outcomes that they have on the original.
	Absorbed
)

var seenWords = [...]string{"", "never_differs", "not_observed", "differs", "unasserted", "absorbed"}

// String gives the name used in result files; "" for SeenUnset.
func (w SeenWord) String() string { return seenWords[w] }

// With gives what is known when calls of the tests have been made again, too: that tells more
// than that there was another value, or that nobody knows.
func (s Seen) With(word SeenWord) Seen {
	if word != SeenUnset && s.Word != NeverDiffers {
		s.Word = word
	}
	return s
}

// ParseSeenWord is the inverse of String.
func ParseSeenWord(name string) (SeenWord, error) {
	for i, n := range seenWords {
		if n == name {
			return SeenWord(i), nil
		}
	}
	return SeenUnset, fmt.Errorf("what was observed, %q, is not known", name)
}

// LongestExpression bounds Seen.Expression, and MostSeenValues Seen.Values.
const (
	LongestExpression = 120
	MostSeenValues    = 3
)

// Shortened cuts a text to a number of bytes; what is left out is shown as "…". A text of
// several bytes a character is not cut within one.
func Shortened(s string, most int) string {
	if len(s) <= most {
		return s
	}
	at := most - len("…")
	for back := 0; back < utf8.UTFMax && at > 0 && !utf8.RuneStart(s[at]); back++ {
		at--
	}
	return s[:at] + "…"
}
