package mutate

import (
	"bytes"
	"cmp"
	"fmt"
	"regexp"
	"slices"
	"strings"

	"assay/mutate/syntax"
)

// Schemata is one text with many mutants of a file in it: mutant schemata, after
// Untch, Offutt and Harrold, "Mutation analysis using mutant schemata" (ISSTA
// 1993). Every place has its code as it is and changed copies of it; which is
// run is chosen by two static properties:
//
//	\AssayHarness\Active::$place   the number of the place, 0 for none
//	\AssayHarness\Active::$mutant  the number of the mutant
//
// A third property, $files, is an object whose array $used gets the paths of files
// as keys whose functions are run.
//
// Lines stay where they are in the file, for messages and stack traces tell of
// them: a mutant that takes whole lines away has the lines behind where they were.
type Schemata struct {
	Text []byte
	// Places has, for the number of each mutant in Text, that of its place.
	Places map[int]int
}

// Numbered is a mutant with a number above 0 that no other has.
type Numbered struct {
	*Mutant
	Number int
}

// Combine writes those of a file's mutants that have a Place into one text. The
// number of a place is that of its first mutant. Those are left out whose copy
// would have code on other lines than the mutant. PHP's parser takes the text
// unless it refuses one of the mutants; its compiler may still refuse it. Pure.
func (p *Points) Combine(ms []Numbered) Schemata {
	c := combiner{points: p, note: ` \AssayHarness\Active::$files->used['` + quoted.Replace(p.Source.Path) + `']=1;`, out: Schemata{Places: map[int]int{}}, copies: map[Place][]Numbered{}}
	if bareReturn.Match(p.Source.Text) {
		ms = nil
	}
	for _, m := range ms {
		if m.Place.Kind == NoPlace {
			continue
		}
		if c.keepsLines(m) {
			if c.copies[m.Place] == nil {
				c.places = append(c.places, m.Place)
			}
			c.copies[m.Place] = append(c.copies[m.Place], m)
		}
	}
	slices.SortFunc(c.places, func(a, b Place) int { return cmp.Or(a.Start-b.Start, b.End-a.End, int(b.Kind)-int(a.Kind)) })
	c.write(0, len(p.Source.Text), 0)
	c.out.Text = c.text.Bytes()
	return c.out
}

// bareReturn finds line breaks that are not looked for here.
var bareReturn = regexp.MustCompile(`\r([^\n]|$)`)

// quoted writes a text between single quotes in PHP.
var quoted = strings.NewReplacer(`\`, `\\`, `'`, `\'`)

type combiner struct {
	points *Points
	note   string
	out    Schemata
	places []Place // outer ones first; an element is around its value
	copies map[Place][]Numbered
	text   bytes.Buffer
	noted  int // how many entries of functions are written
}

// write writes the bytes from start to end with the places from number next on
// that lie in them, and gives the number of the first place behind.
func (c *combiner) write(start, end, next int) int {
	for next < len(c.places) && c.places[next].Start < end {
		p := c.places[next]
		c.plain(start, p.Start)
		next = c.place(p, next)
		start = p.End
	}
	c.plain(start, end)
	return next
}

// plain writes bytes as they are, with what notes that a function was entered.
func (c *combiner) plain(start, end int) {
	src, entries := c.points.Source.Text, c.points.entries
	for ; c.noted < len(entries) && entries[c.noted] <= end; c.noted++ {
		c.text.Write(src[start:entries[c.noted]])
		start = entries[c.noted]
		c.text.WriteString(c.note)
	}
	c.text.Write(src[start:end])
}

func (c *combiner) place(p Place, at int) (next int) {
	ms := c.copies[p]
	number := ms[0].Number
	if p.Kind == Element {
		fmt.Fprintf(&c.text, `...(\AssayHarness\Active::$place===%d?[]:[`, number)
		c.out.Places[number] = number
		next = c.write(p.Start, p.End, at+1)
		c.text.WriteString("])")
		return next
	}
	if p.Kind == Condition || p.Kind == Expression {
		fmt.Fprintf(&c.text, `(\AssayHarness\Active::$place===%d?(`, number)
		for i, m := range ms {
			c.out.Places[m.Number] = number
			if i < len(ms)-1 {
				fmt.Fprintf(&c.text, `\AssayHarness\Active::$mutant===%d?(%s):(`, m.Number, c.copy(m))
			} else {
				c.text.WriteString(c.copy(m))
			}
		}
		c.text.Write(bytes.Repeat([]byte(")"), len(ms)-1))
		c.text.WriteString("):(")
		next = c.write(p.Start, p.End, at+1)
		c.text.WriteString("))")
		return next
	}
	if p.Kind == Body {
		c.text.WriteString("{")
	}
	fmt.Fprintf(&c.text, `if(\AssayHarness\Active::$place===%d){`, number)
	for i, m := range ms {
		c.out.Places[m.Number] = number
		if i > 0 {
			c.text.WriteString("else")
		}
		fmt.Fprintf(&c.text, `if(\AssayHarness\Active::$mutant===%d){%s}`, m.Number, c.copy(m))
	}
	c.text.WriteString("}else{")
	next = c.write(p.Start, p.End, at+1)
	c.text.WriteString("}")
	if p.Kind == Body {
		c.text.WriteString("}")
	}
	return next
}

// copy is the code of a mutant's place as the mutant has it, on one line.
func (c *combiner) copy(m Numbered) string {
	return c.oneLine(m.Place.Start, m.Edit.Start) + m.Edit.New + c.oneLine(m.Edit.End, m.Place.End)
}

func (c *combiner) oneLine(start, end int) string {
	src := c.points.Source.Text
	var out []byte
	breaks := c.points.breaks
	first, _ := slices.BinarySearchFunc(breaks, start, func(b syntax.Span, at int) int { return cmp.Compare(b.Start, at) })
	for _, b := range breaks[first:] {
		if b.End > end {
			break
		}
		out = append(append(out, src[start:b.Start]...), ' ')
		start = b.End
	}
	return string(append(out, src[start:end]...))
}

// keepsLines reports whether a mutant's copy, which is written on the first line
// of its place, has no code that stands on another line in the mutant.
func (c *combiner) keepsLines(m Numbered) bool {
	src := c.points.Source.Text
	if m.Place.Kind == Element {
		return true
	}
	if m.Place.Kind == Expression && strings.TrimSpace(c.copy(m)) == "" {
		return false // an argument that is taken away
	}
	if strings.ContainsAny(m.Edit.New, "\r\n") || bytes.IndexByte(src[m.Place.Start:m.Edit.Start], '\n') >= 0 {
		return false
	}
	if bytes.IndexByte(src[m.Edit.Start:m.Place.End], '\n') < 0 {
		return true
	}
	rest := c.oneLine(m.Edit.End, m.Place.End)
	return strings.Trim(rest, " \t\r\n);]},") == "" && !strings.Contains(rest, "\n")
}
