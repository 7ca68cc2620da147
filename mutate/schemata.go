package mutate

import (
	"bytes"
	"cmp"
	"fmt"
	"regexp"
	"slices"
	"strings"
)

// Schemata is one text with many mutants of a file in it: mutant schemata, after
// Untch, Offutt and Harrold, "Mutation analysis using mutant schemata" (ISSTA
// 1993). Every place has its code as it is and changed copies of it; which is
// run is chosen by two static properties:
//
//	\PHPUnit\AssayHarness\MutantSwitch::$place   the number of the place, 0 for none
//	\PHPUnit\AssayHarness\MutantSwitch::$mutant  the number of the mutant
//
// A third property, $files, is an object whose array $used gets the points of functions that
// are entered as keys. Where a fourth, $counts, is true, the points of
// loops and their bodies are told of as in Probed.
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
func (p *Points) Combine(ms []Numbered) Schemata { return p.combine(ms, false) }

// CombineTelling does the same, and has all points told of as in Probed. Pure.
func (p *Points) CombineTelling(ms []Numbered) Schemata { return p.combine(ms, true) }

// combine writes the mutants into one text, with the probes of all points or of loops.
func (p *Points) combine(ms []Numbered, telling bool) Schemata {
	c := combiner{points: p, inserts: p.forSchemata(telling), out: Schemata{Places: map[int]int{}}, copies: map[Place][]Numbered{}, halves: map[int]int{}}
	for _, in := range c.inserts {
		c.halves[in.point]++
	}
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
	c.plain(len(p.Source.Text), len(p.Source.Text), true)
	c.out.Text = c.text.Bytes()
	return c.out
}

// forSchemata gives what is written into them everywhere, in source order: that a
// function was entered, and the probes of loops, or of all points.
func (p *Points) forSchemata(telling bool) []insert {
	var out []insert
	for _, e := range p.entries {
		out = append(out, insert{offset: e.offset, text: functionNote(e.point)})
	}
	only := p.ofLoops()
	for _, in := range p.inserts {
		if telling {
			out = append(out, in)
		} else if only[in.point] {
			in.text = strings.Replace(in.text, hit, `\PHPUnit\AssayHarness\MutantSwitch::$counts&&`+hit, 1)
			out = append(out, in)
		}
	}
	slices.SortStableFunc(out, func(a, b insert) int { return a.offset - b.offset })
	return out
}

// bareReturn finds line breaks that are not looked for here.
var bareReturn = regexp.MustCompile(`\r([^\n]|$)`)

// quoted writes a text between single quotes in PHP.
var quoted = strings.NewReplacer(`\`, `\\`, `'`, `\'`)

type combiner struct {
	points  *Points
	inserts []insert
	written int         // how many of these are
	halves  map[int]int // point => how many of these it has
	out     Schemata
	places  []Place // outer ones first; an element is around its value
	copies  map[Place][]Numbered
	text    bytes.Buffer
}

// write writes the bytes from start to end with the places from number next on
// that lie in them, and gives the number of the first place behind. What is
// inserted at the end belongs to what follows.
func (c *combiner) write(start, end, next int) int {
	for next < len(c.places) && c.places[next].Start < end {
		p := c.places[next]
		c.plain(start, p.Start, true)
		next = c.place(p, next)
		start = p.End
	}
	c.plain(start, end, false)
	return next
}

// plain writes bytes as they are, with what is inserted between them, and at
// their end as well if that is asked for.
func (c *combiner) plain(start, end int, atEnd bool) {
	src := c.points.Source.Text
	for ; c.written < len(c.inserts); c.written++ {
		if o := c.inserts[c.written].offset; o > end || o == end && !atEnd {
			break
		}
		in := c.inserts[c.written]
		c.text.Write(src[start:in.offset])
		c.text.WriteString(in.text)
		start = in.offset
	}
	c.text.Write(src[start:end])
}

func (c *combiner) place(p Place, at int) (next int) {
	ms := c.copies[p]
	number := ms[0].Number
	if p.Kind == Element || p.Kind == Arm {
		around := [2]string{`...(\PHPUnit\AssayHarness\MutantSwitch::$place===%d?[]:[`, "])"}
		if p.Kind == Arm { // that object is like no other
			around = [2]string{`(\PHPUnit\AssayHarness\MutantSwitch::$place===%d?\PHPUnit\AssayHarness\MutantSwitch::$files:(`, "))"}
		}
		fmt.Fprintf(&c.text, around[0], number)
		c.out.Places[number] = number
		next = c.write(p.Start, p.End, at+1)
		c.text.WriteString(around[1])
		return next
	}
	if p.Kind == Condition || p.Kind == Expression {
		fmt.Fprintf(&c.text, `(\PHPUnit\AssayHarness\MutantSwitch::$place===%d?(`, number)
		for i, m := range ms {
			c.out.Places[m.Number] = number
			if i < len(ms)-1 {
				fmt.Fprintf(&c.text, `\PHPUnit\AssayHarness\MutantSwitch::$mutant===%d?(%s):(`, m.Number, c.copy(m))
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
	fmt.Fprintf(&c.text, `if(\PHPUnit\AssayHarness\MutantSwitch::$place===%d){`, number)
	for i, m := range ms {
		c.out.Places[m.Number] = number
		if i > 0 {
			c.text.WriteString("else")
		}
		fmt.Fprintf(&c.text, `if(\PHPUnit\AssayHarness\MutantSwitch::$mutant===%d){%s}`, m.Number, c.copy(m))
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
	var out strings.Builder
	at, edited := m.Place.Start, false
	edit := func() {
		out.WriteString(c.points.oneLine(at, m.Edit.Start) + m.Edit.New)
		at, edited = m.Edit.End, true
	}
	for _, in := range c.within(m) {
		if !edited && m.Edit.Start < in.offset {
			edit()
		}
		out.WriteString(c.points.oneLine(at, in.offset) + in.text)
		at = in.offset
	}
	if !edited {
		edit()
	}
	return out.String() + c.points.oneLine(at, m.Place.End)
}

// within gives the probes of loops that belong in a mutant's copy: those of which
// neither half is in the edit or outside of the place.
func (c *combiner) within(m Numbered) []insert {
	first, _ := slices.BinarySearchFunc(c.inserts, m.Place.Start+1, func(in insert, at int) int { return cmp.Compare(in.offset, at) })
	var in []insert
	halves := map[int]int{}
	for _, i := range c.inserts[first:] {
		if i.offset > m.Place.End {
			break
		}
		if closes := !strings.Contains(i.text, hit); i.point > 0 && (closes || i.offset < m.Place.End) &&
			!(m.Edit.Start < i.offset && i.offset < m.Edit.End) {
			in = append(in, i)
			halves[i.point]++
		}
	}
	return slices.DeleteFunc(in, func(i insert) bool { return halves[i.point] < c.halves[i.point] })
}

// keepsLines reports whether a mutant's copy, which is written on the first line
// of its place, has no code that stands on another line in the mutant.
func (c *combiner) keepsLines(m Numbered) bool {
	src := c.points.Source.Text
	if m.Place.Kind == Element || m.Place.Kind == Arm {
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
	rest := c.points.oneLine(m.Edit.End, m.Place.End)
	return strings.Trim(rest, " \t\r\n);]},") == "" && !strings.Contains(rest, "\n")
}
