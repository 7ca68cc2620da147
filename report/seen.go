package report

import (
	"fmt"
	"slices"
	"strings"

	"assay/mutate"
)

// evaluations says in sentences what the tests did with an expression that never had another
// value; "" where that is not known of it. No word of the expression or a value is longer
// than a number of characters.
func evaluations(s mutate.Seen, longest int) string {
	if s.Word != mutate.NeverDiffers {
		return ""
	}
	expression := "`" + brief(oneLine(s.Expression, mutate.LongestExpression), longest) + "`"
	if s.Times == 0 {
		return "The tests come to this place without evaluating " + expression + ". Only another input can tell the change from the original."
	}
	values := make([]string, len(s.Values))
	for i, v := range s.Values {
		values[i] = brief(oneLine(v, mutate.LongestExpression), longest)
	}
	list := strings.Join(values, ", ")
	if s.More {
		list += " and others"
	}
	if list != "" {
		list = ": " + list
	}
	times, each := fmt.Sprintf("%d times", s.Times), " each time"
	if s.Times == 1 {
		times, each = "once", ""
	}
	return fmt.Sprintf("The tests evaluate %s %s, and with the change it comes out the same%s%s. "+
		"Only another input can tell the two apart.", expression, times, each, list)
}

// brief cuts the words of a text.
func brief(s string, longest int) string {
	words := strings.Split(s, " ")
	for i, w := range words {
		if r := []rune(w); len(r) > longest {
			words[i] = string(r[:max(longest-1, 0)]) + "…"
		}
	}
	return strings.Join(words, " ")
}

// evaluated prints what was seen of the changes of a block, each sentence once.
func (p *text) evaluated(b block) {
	var said []string
	by := map[string][]string{}
	for _, v := range b.Verdicts {
		s := evaluations(v.Seen, p.o.Width-len("  `` …"))
		if s != "" && by[s] == nil {
			said = append(said, s)
		}
		by[s] = append(by[s], p.code[v.Mutant.ID])
	}
	for _, s := range said {
		if len(by) > 1 {
			s = strings.Join(by[s], ", ") + ": " + s
		}
		p.WriteString(wrap(s, "  ", p.o.Width))
	}
}

// An EvaluatedEntry says what the tests do with an expression whose value a mutant never
// changed.
type EvaluatedEntry struct {
	Expression string   `json:"expression"` // on one line; perhaps only its beginning
	Times      int      `json:"times"`
	Values     []string `json:"values"`
	More       bool     `json:"more,omitempty"` // it had other values, too
}

// sameInEachRun are the values that a result without timings has: any other one may come
// of a clock, of chance, or of the number of a process.
var sameInEachRun = []string{"true", "false", "null"}

func seenEntry(s mutate.Seen, o Options) (word string, e *EvaluatedEntry) {
	if s.Word != mutate.NeverDiffers {
		return s.Word.String(), nil
	}
	e = &EvaluatedEntry{Expression: marked(s.Expression), Times: s.Times, Values: []string{}, More: s.More}
	for _, v := range s.Values {
		e.Values = append(e.Values, marked(v))
	}
	if !o.Timings && (s.More || slices.ContainsFunc(s.Values, func(v string) bool { return !slices.Contains(sameInEachRun, v) })) {
		e.Values, e.More = []string{}, false
	}
	return s.Word.String(), e
}

// seen is the inverse of seenEntry.
func (e *Entry) seen() (s mutate.Seen, err error) {
	if s.Word, err = mutate.ParseSeenWord(e.Observed); err != nil || e.Evaluated == nil {
		return s, err
	}
	s.Expression, s.Times, s.Values, s.More = e.Evaluated.Expression, e.Evaluated.Times, e.Evaluated.Values, e.Evaluated.More
	return s, nil
}

// checkSeen makes sure that what was observed fits the verdict.
func (e *Entry) checkSeen() error {
	s, err := e.seen()
	survived := mutate.Survived.String()
	switch {
	case err != nil:
		return err
	case s.Word != mutate.SeenUnset && e.Status != survived && e.WouldBe != survived:
		return fmt.Errorf("observed is %q, and it has not survived", e.Observed)
	case (s.Word == mutate.NeverDiffers) != (e.Evaluated != nil):
		return fmt.Errorf("evaluated has to be there where observed is %q, and nowhere else", mutate.NeverDiffers)
	case len(s.Values) > mutate.MostSeenValues:
		return fmt.Errorf("evaluated has %d values, and at most %d are kept", len(s.Values), mutate.MostSeenValues)
	case len(s.Expression) > len(`\xFF`)*mutate.LongestExpression:
		return fmt.Errorf("evaluated has an expression of %d bytes, and at most %d are kept", len(s.Expression), mutate.LongestExpression)
	}
	return nil
}
