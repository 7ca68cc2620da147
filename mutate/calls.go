package mutate

import (
	"bytes"
	"fmt"
	"slices"

	"assay/mutate/syntax"
)

// A Declared is a function or method of a file that has a body.
type Declared struct {
	syntax.Span        // from its first modifier to the closing brace
	Point       int    // at which it is entered
	Name        string // "" for a closure
	Public      bool   // a function, or a public method of a class, trait or enum
	Returns     bool   // some return of its own gives a value
	node        *syntax.Node
}

// Declared gives the functions of a file that have braces, in source order.
func (p *Points) Declared() []Declared {
	var out []Declared
	for n, point := range p.at {
		if !n.Is("compound_statement") || !isFunction(n.Parent) {
			continue
		}
		fn := n.Parent
		d := Declared{Span: fn.Span, Point: point, node: fn}
		if name := fn.Child("name"); name != nil {
			d.Name = string(p.Source.Text[name.Start:name.End])
		}
		d.Public = !fn.Bad && (fn.Is("function_definition") || fn.Is("method_declaration") && p.isPublic(fn))
		ownStatements(n, func(s *syntax.Node) { d.Returns = d.Returns || s.Is("return_statement") && len(s.NamedChildren()) > 0 })
		out = append(out, d)
	}
	slices.SortFunc(out, func(a, b Declared) int { return a.Start - b.Start })
	return out
}

func (p *Points) isPublic(method *syntax.Node) bool {
	v := method.First("visibility_modifier")
	return v == nil || bytes.EqualFold(p.Source.Text[v.Start:v.End], []byte("public"))
}

// ownStatements visits what lies in the body of a function, but not in functions within it.
func ownStatements(body *syntax.Node, visit func(*syntax.Node)) {
	for _, c := range body.Children {
		if isFunction(c) || c.Is("arrow_function", "class_declaration", "anonymous_class", "declaration_list") {
			continue
		}
		visit(c)
		ownStatements(c, visit)
	}
}

// Calling gives the source with each public function telling that it is called, as
//
//	\PHPUnit\AssayHarness\MutantSwitch::$calls->enter(POINT, $this, func_get_args())
//
// where that property is not null, and what it gives, by MutantSwitch::left(); and each
// function that it was entered, as in Schemata. Lines stay where they are.
func (p *Points) Calling() []byte {
	const at = `\PHPUnit\AssayHarness\MutantSwitch::`
	var in []insert
	for _, d := range p.Declared() {
		body := d.node.Child("body")
		if d.Public {
			on := "null"
			switch {
			case d.node.First("static_modifier") != nil:
				on = "static::class"
			case d.node.Is("method_declaration"):
				on = "$this"
			}
			in = append(in, insert{offset: body.Start + 1, text: fmt.Sprintf(` $assayCall=%s$calls===null?0:%s$calls->enter(%d,%s,\func_get_args());`, at, at, d.Point, on)})
			if yields := false; d.node.First("reference_modifier") == nil && d.node.First("&") == nil {
				ownStatements(body, func(s *syntax.Node) { yields = yields || s.Is("yield_expression") })
				if !yields {
					in = append(in, returned(body, at)...)
				}
			}
		}
		in = append(in, insert{offset: body.Start + 1, text: functionNote(d.Point)})
	}
	slices.SortStableFunc(in, func(a, b insert) int { return a.offset - b.offset })
	var out bytes.Buffer
	from := 0
	for _, i := range in {
		out.Write(p.Source.Text[from:i.offset])
		out.WriteString(i.text)
		from = i.offset
	}
	out.Write(p.Source.Text[from:])
	return out.Bytes()
}

// returned has the values told that a function gives.
func returned(body *syntax.Node, at string) (in []insert) {
	ownStatements(body, func(s *syntax.Node) {
		values := s.NamedChildren()
		if !s.Is("return_statement") || s.Bad || len(values) != 1 || values[0].Bad {
			return
		}
		in = append(in, insert{offset: values[0].Start, text: at + `left($assayCall,`}, insert{offset: values[0].End, text: ")"})
	})
	return in
}

// Own gives, by point, the code that is run when the point is passed and no other: of a
// statement what lies in no statement or function within it. Of a function's body it is
// nothing.
func (p *Points) Own() map[int]string {
	out := map[int]string{}
	for n, point := range p.at {
		if n.Is("compound_statement") {
			continue
		}
		var b bytes.Buffer
		from := n.Start
		var leaveOut func(*syntax.Node)
		leaveOut = func(n *syntax.Node) {
			for _, c := range n.Children {
				if _, other := p.at[c]; other {
					b.Write(p.Source.Text[from:max(from, c.Start)])
					from = max(from, c.End)
				} else {
					leaveOut(c)
				}
			}
		}
		leaveOut(n)
		b.Write(p.Source.Text[from:n.End])
		out[point] = b.String()
	}
	return out
}
