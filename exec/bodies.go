//go:build linux

package exec

import (
	"slices"

	"assay/mutate"
	"assay/mutate/syntax"
)

// To compile a file for each of its mutants takes as long as the file is. So a mutant is first
// compiled without the bodies of the functions that it does not touch: where that is another code
// than the original's, so is the whole. The reverse does not hold, and is not taken for granted.

// bodiesIn gives the bodies of the functions of a text that stand in no other function's, with their
// braces, in the order of the text; see linter.tokens.
func bodiesIn(text []byte, tokens []rawToken) []syntax.Span {
	var bodies []syntax.Span
	start, depth, declares := 0, 0, false
	for _, t := range tokens {
		name, at, own, ok := t.in(text)
		if !ok {
			return nil
		}
		opens := own == "{" && name != "T_INLINE_HTML" || name == "T_CURLY_OPEN" || name == "T_DOLLAR_OPEN_CURLY_BRACES"
		switch {
		case depth > 0 && opens:
			depth++
		case depth > 0 && own == "}":
			if depth--; depth == 0 {
				bodies = append(bodies, syntax.Span{Start: start, End: at + 1})
			}
		case depth > 0:
		case name == "T_FUNCTION":
			declares = true
		case declares && own == ";": // it has no body
			declares = false
		case declares && opens:
			start, depth, declares = at, 1, false
		}
	}
	return bodies
}

// A cutting is a text without the bodies that an edit does not touch.
type cutting struct {
	kept     int // how many bodies stand before the first that is left; -1: none is left
	original []byte
	edited   []byte
}

// cut leaves out the bodies that an edit does not touch. What is left of the original is the same
// for all edits with the same kept, as long as they touch one body at most; ok is false for others.
func cut(text []byte, bodies []syntax.Span, e mutate.Edit) (c cutting, ok bool) {
	c.kept = -1
	var left []syntax.Span
	for i, b := range bodies {
		if e.Start <= b.End && e.End >= b.Start {
			if c.kept >= 0 {
				return c, false
			}
			c.kept = i
			continue
		}
		left = append(left, b)
	}
	done := 0
	write := func(to int) {
		c.original, c.edited = append(c.original, text[done:to]...), append(c.edited, text[done:to]...)
		done = to
	}
	at, _ := slices.BinarySearchFunc(left, e.Start, func(b syntax.Span, start int) int { return b.Start - start })
	for i := 0; i <= len(left); i++ {
		if i == at {
			write(e.Start)
			c.original, c.edited = append(c.original, text[e.Start:e.End]...), append(c.edited, e.New...)
			done = e.End
		}
		if i < len(left) {
			write(left[i].Start)
			c.original, c.edited = append(c.original, "{}"...), append(c.edited, "{}"...)
			done = left[i].End
		}
	}
	write(len(text))
	return c, true
}
