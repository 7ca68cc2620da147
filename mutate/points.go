package mutate

import (
	"bytes"
	"slices"
	"strconv"

	"assay/mutate/syntax"
)

// Points is the layout of probe points of one file: the places where it is
// recorded that a segment of the suite came by. There is one in front of each statement and one
// at the entry of each function, so whoever runs a piece of code has passed
// the point that At gives for it. A point may be passed without the code being
// run (an exception, a short-circuit): reach is said too large then, which
// costs time and never truth.
type Points struct {
	Source *Source
	First  int // ID of the first point; the others follow. FileLevel is no point's ID
	Count  int
	// Loops has, for the point of each loop, the point of its body's first
	// statement. Loops whose bodies have none are left out.
	Loops map[int]int
	// Links has the classes, interfaces, traits and enums that the file declares,
	// each with what it cannot be declared without. Full names in lower case.
	Links map[string][]string
	// Functions are those that the file declares, likewise; methods are none.
	Functions []string
	// Loading has what counts when the file is loaded; nil where that is not known.
	Loading *Loading
	// Mentions has where class constants are named, unless the file has no points.
	Mentions Mentions

	inserts []insert
	breaks  []syntax.Span        // see placer
	entries []entry              // of functions with braces, in source order
	at      map[*syntax.Node]int // statement, function body or arrow body => ID
}

// hit begins a probe.
const hit = `\assay_hit(`

// entry is where the body of a function begins.
type entry struct{ offset, point int }

// Entries gives the points at which functions are entered, in source order; arrow functions
// have none.
func (p *Points) Entries() []int {
	var out []int
	for _, e := range p.entries {
		out = append(out, e.point)
	}
	return out
}

type insert struct {
	offset int
	text   string
	point  int
}

// statementKinds are the nodes that a point can stand in front of.
var statementKinds = map[string]bool{
	"expression_statement": true, "if_statement": true, "while_statement": true, "do_statement": true,
	"for_statement": true, "foreach_statement": true, "switch_statement": true, "try_statement": true,
	"return_statement": true, "break_statement": true, "continue_statement": true, "echo_statement": true,
	"exit_statement": true, "unset_statement": true, "goto_statement": true, "global_declaration": true,
	"function_static_declaration": true, "compound_statement": true, "empty_statement": false,
}

// Layout decides where the points of a file stand. The IDs begin at first,
// which must be at least 1. A file with data behind __halt_compiler gets none,
// since its code may depend on offsets; all its mutants are FileLevel.
func Layout(f *syntax.File, src *Source, first int) *Points {
	p := &Points{Source: src, First: first, Links: classLinks(f), Functions: functionNames(f), at: map[*syntax.Node]int{}}
	if f.HaltOffset() < len(f.Src) {
		return p
	}
	f.Walk(func(n *syntax.Node) bool {
		if n.Bad {
			return false
		}
		p.place(f, n)
		return true
	})
	slices.SortStableFunc(p.inserts, func(a, b insert) int { return a.offset - b.offset })
	p.Mentions, p.Loading = p.constantsOf(f), LoadingOf(f)
	slices.SortFunc(p.entries, func(a, b entry) int { return a.offset - b.offset })
	p.Loops = map[int]int{}
	for n, id := range p.at {
		if isLoop(n) {
			if body := p.bodyPoint(n); body != 0 {
				p.Loops[id] = body
			}
		}
	}
	return p
}

// bodyPoint gives the point of the first statement of a loop's body; 0 if none.
func (p *Points) bodyPoint(loop *syntax.Node) int {
	for _, body := range loop.Fields("body") {
		if id := p.at[body]; id != 0 {
			return id
		}
		for _, c := range body.Children {
			if id := p.at[c]; id != 0 {
				return id
			}
		}
	}
	return 0
}

func (p *Points) place(f *syntax.File, n *syntax.Node) {
	switch {
	case n.Is("arrow_function", "property_hook") && n.Child("body") != nil && !n.Child("body").Is("compound_statement"):
		body := n.Child("body")
		if n.Child("reference_modifier") != nil || body.Bad {
			return // the value must stay a reference; what is below is FileLevel
		}
		p.insert(body.Start, hit+p.add(body)+`) ?? (`)
		p.insert(body.End, ")")
	case n.Is("compound_statement") && isFunction(n.Parent):
		p.insert(n.Start+1, ` `+hit+p.add(n)+`);`)
		p.entries = append(p.entries, entry{n.Start + 1, p.First + p.Count - 1})
	case n.Is("compound_statement") && isLoop(n.Parent) && len(n.NamedChildren()) == 0:
		p.insert(n.Start+1, ` `+hit+p.add(n)+`);`)
	case n.Is("empty_statement") && n.Field == "body" && isLoop(n.Parent):
		p.statement(f, n)
	case statementKinds[n.Kind] && !isFunction(n.Parent):
		p.statement(f, n)
	}
}

func isLoop(n *syntax.Node) bool {
	return n.Is("for_statement", "foreach_statement", "while_statement", "do_statement")
}

func isFunction(n *syntax.Node) bool {
	return n.Is("method_declaration", "function_definition", "anonymous_function", "property_hook")
}

func (p *Points) statement(f *syntax.File, n *syntax.Node) {
	parent := n.Parent
	prev := n.Prev()
	switch {
	case prev.Is("php_tag") && bytes.HasSuffix(f.Src[prev.Start:prev.End], []byte("=")):
		return // "<?= $x ?>" has no room for a statement
	case parent.Is("text_interpolation", "declare_statement"):
		return
	case n.Is("compound_statement") && !parent.Is("compound_statement", "program", "colon_block", "case_statement", "default_statement"):
		return // the braces of something else; its statements have their own points
	case parent.Is("compound_statement", "program", "colon_block", "case_statement", "default_statement"):
		p.insert(n.Start, hit+p.add(n)+`); `)
	case n.Field == "body" && parent.Is("if_statement", "else_clause", "else_if_clause", "for_statement", "foreach_statement", "while_statement", "do_statement"):
		// A body without braces: "if ($a) f();" => "if ($a) {hit(); f(); ;}".
		// With several bodies ("for (...): a; b; endfor") each has its own place.
		if hasColon(parent) {
			p.insert(n.Start, hit+p.add(n)+`); `)
			return
		}
		p.insert(n.Start, `{ `+hit+p.add(n)+`); `)
		p.insert(n.End, " ;}")
	}
}

func hasColon(n *syntax.Node) bool { return n.First(":") != nil }

// insert has a text written for the point that was added last.
func (p *Points) insert(offset int, text string) {
	p.inserts = append(p.inserts, insert{offset, text, p.First + p.Count - 1})
}

func (p *Points) add(n *syntax.Node) string {
	id := p.First + p.Count
	p.Count++
	p.at[n] = id
	return strconv.Itoa(id)
}

// At gives the point of a node: every execution of it has passed there first.
// FileLevel when no statement holds it (constants, defaults of properties,
// attributes, modifiers) or the file has no points.
func (p *Points) At(n *syntax.Node) int {
	for ; n != nil; n = n.Parent {
		if id, ok := p.at[n]; ok {
			return id
		}
		if n.Is("formal_parameters") && n.Parent != nil {
			// Defaults are used when the function is entered.
			return p.at[n.Parent.Child("body")]
		}
		if n.Is("declaration_list", "enum_declaration_list", "class_declaration", "trait_declaration",
			"enum_declaration", "interface_declaration", "arrow_function", "attribute_list", "program") || isFunction(n) {
			return FileLevel
		}
	}
	return FileLevel
}

// isInspected reports whether a node is part of a parameter of a method that
// can be overridden: whatever makes a double of the class reads its default,
// without a call.
func isInspected(n *syntax.Node) bool {
	for ; n != nil; n = n.Parent {
		if n.Is("formal_parameters") {
			return n.Parent.Is("method_declaration") && !isPrivate(n.Parent)
		}
		if n.Is("compound_statement", "declaration_list") {
			return false
		}
	}
	return false
}

// isPrivate needs no text: the modifier is a token of that kind.
func isPrivate(method *syntax.Node) bool {
	v := method.First("visibility_modifier")
	return v != nil && v.First("private") != nil
}

// noEdit changes nothing.
var noEdit = Edit{Span: syntax.Span{Start: -1, End: -1}}

// Probed gives the source with its probes, on the same lines.
func (p *Points) Probed() []byte { return p.probed(noEdit, nil) }

// CountingWith gives the source with an edit made and, outside of it, the probes
// of loops and their bodies. What comes out need not be PHP: an edit may take one
// half of a pair of braces that a probe needs.
func (p *Points) CountingWith(e Edit) []byte { return p.probed(e, p.ofLoops()) }

// ofLoops gives the points of loops and of their bodies.
func (p *Points) ofLoops() map[int]bool {
	only := map[int]bool{}
	for loop, body := range p.Loops {
		only[loop], only[body] = true, true
	}
	return only
}

// probed writes the text with an edit and the probes of some points; nil: of all.
func (p *Points) probed(e Edit, only map[int]bool) []byte {
	var out bytes.Buffer
	at := 0
	upTo := func(offset int) {
		if e.Start >= at && e.Start < offset || e.Start == offset && e.End == offset {
			out.Write(p.Source.Text[at:e.Start])
			out.WriteString(e.New)
			at = e.End
			e.Start = -1
		}
		if offset > at {
			out.Write(p.Source.Text[at:offset])
			at = offset
		}
	}
	start, end := e.Start, e.End
	for _, in := range p.inserts {
		if start < in.offset && in.offset < end || only != nil && !only[in.point] {
			continue
		}
		upTo(in.offset)
		out.WriteString(in.text)
	}
	upTo(len(p.Source.Text))
	return out.Bytes()
}

// inspecting are the ways to read a parameter's default without a call, in lower case:
// reflection, and doubles by PHPUnit and by the libraries that are used for it.
var inspecting = []string{"getdefaultvalue", "createmock", "createstub", "createpartialmock", "createconfigured", "createtestproxy",
	"getmock", "mockbuilder", "prophesize", "mockery", "phake"}

// Inspects reports whether a text, in lower case, may read the default of a parameter without a call.
func Inspects(lower []byte) bool {
	return slices.ContainsFunc(inspecting, func(word string) bool { return bytes.Contains(lower, []byte(word)) })
}

// Locate sets the point and the place of a mutant that no operator made.
func (p *Points) Locate(f *syntax.File, m *Mutant) {
	places := newPlacer(f)
	p.breaks = places.breaks
	m.locate(holder(f.Root, m.Edit.Span), p, places)
}

// locate finds out where a mutant is whose edit a node holds.
func (m *Mutant) locate(at *syntax.Node, points *Points, places *placer) {
	m.Point, m.Inspected = points.At(at), isInspected(at)
	m.Outside = !isFunction(at) && places.functionAround(at, true) == nil
	m.Lazy = isLazy(places.file, at, m.Edit)
	if m.Point != FileLevel {
		m.Place, m.Sites = places.of(at, m.Edit, points), places.sitesOf(at, m.Edit)
		m.Entered = places.enteredFor(at, m.Edit, points)
	} else {
		m.Constant = constantAt(places.file, at, m.Edit)
	}
}
