package mutate

import (
	"bytes"
	"regexp"
	"strings"

	"assay/mutate/syntax"
)

// Mentions tell where a file names class constants: who sees the value of one has
// passed such a place, or got at it without its name.
type Mentions struct {
	// At has, for the name of a constant of whatever class, the points that are
	// passed before it is seen; FileLevel where no statement holds the place.
	At map[string][]int
	// Inspected has the names that can also be read without a call: in the
	// defaults of parameters.
	Inspected map[string]bool
	// ByAnyName has the points of code that may get at constants without naming them.
	ByAnyName []int
}

// constantsOf finds the mentions of a file.
func (p *Points) constantsOf(f *syntax.File) Mentions {
	m := Mentions{At: map[string][]int{}, Inspected: map[string]bool{}}
	f.Walk(func(n *syntax.Node) bool {
		switch {
		case n.Bad:
			m.ByAnyName = append(m.ByAnyName, p.At(n))
		case n.Is("class_constant_access_expression"):
			last := n.Children[len(n.Children)-1]
			name := f.Text(last)
			if !last.Is("name") || strings.HasPrefix(name, "$") || strings.HasPrefix(name, "{") {
				m.ByAnyName = append(m.ByAnyName, p.At(n))
				break
			}
			m.At[name] = append(m.At[name], p.At(n))
			m.Inspected[name] = m.Inspected[name] || isInspected(n)
		}
		return true
	})
	for _, at := range byAnyName.FindAllIndex(f.Src, -1) {
		if n := f.At(at[0]); !n.Is("comment") {
			m.ByAnyName = append(m.ByAnyName, p.At(n))
		}
	}
	return m
}

// byAnyName are words of the ways to a class constant that do without its name in
// the program: by a text, by reflection, in code that is put together. In a whole
// text the commonest of them have to stand where they can be called.
var (
	reflected = `Reflection(Class|Object|Enum|ClassConstant|EnumBackedCase|EnumUnitCase)|get(Reflection)?Constants?`
	byAnyName = regexp.MustCompile(`(?i)\b(constant|eval|` + reflected + `)\b|::\s*\{`)
	inText    = regexp.MustCompile(`(?i)\b(constant|eval)\s*\(|['"\\]constant['"]|function\s+\\?constant\b|\b(` + reflected + `)\b|::\s*\{`)
	openTag   = regexp.MustCompile(`(?i)<\?(php|=|\s)`)
)

// ByAnyName reports whether the text of a file is a program that may get at
// constants of classes without naming them.
func ByAnyName(text []byte) bool {
	lower := bytes.ToLower(text)
	has := func(word string) bool { return bytes.Contains(lower, []byte(word)) }
	// Each way has one of these in it, and most files have none: the pattern alone takes long.
	if !has("constant") && !has("eval") && !has("reflection") && !bracesName(text) {
		return false
	}
	return openTag.Match(text) && inText.Match(text)
}

// bracesName reports whether a brace stands where the name of a constant may, as in A::{$name}.
func bracesName(text []byte) bool {
	for {
		_, rest, found := bytes.Cut(text, []byte("::"))
		if !found {
			return false
		}
		if text = bytes.TrimLeft(rest, " \t\r\n\f"); bytes.HasPrefix(text, []byte("{")) {
			return true
		}
	}
}

// plainValue is a value that PHP knows when it compiles it: nothing in it can
// fail later. Texts have been taken out.
var plainValue = regexp.MustCompile(`(?i)^([-+\s\d._,\[\]()xboa-f]|=>|true|false|null|array)*$`)

var quotedText = regexp.MustCompile(`(?s)'([^'\\]|\\.)*'|"([^"\\$]|\\.)*"`)

// narrowed is an edit without what it leaves as it is.
func narrowed(src []byte, e Edit) Edit {
	for e.New != "" && e.Start < e.End && e.New[0] == src[e.Start] {
		e.Start, e.New = e.Start+1, e.New[1:]
	}
	for e.New != "" && e.Start < e.End && e.New[len(e.New)-1] == src[e.End-1] {
		e.End, e.New = e.End-1, e.New[:len(e.New)-1]
	}
	return e
}

// constantAt gives the name of the class constant whose value a node is part of, if
// that is plain and stays so with an edit, and has no type that it could violate; "" else.
func constantAt(f *syntax.File, n *syntax.Node, e Edit) string {
	e = narrowed(f.Src, e)
	for n = holder(n, e.Span); n != nil && !n.Is("const_element"); n = n.Parent {
		if n.Is("compound_statement", "declaration_list", "enum_declaration_list") {
			return ""
		}
	}
	if n == nil || n.Bad || !n.Parent.Parent.Is("declaration_list", "enum_declaration_list") {
		return ""
	}
	for _, c := range n.Parent.Children {
		if !c.Is("const_element", "const", "visibility_modifier", "final_modifier", ",", ";", "comment") {
			return ""
		}
	}
	name := n.First("name")
	if name == nil || e.Start < name.End || e.End > n.End {
		return ""
	}
	plain := f.Memo(plainKey{n}, func() any { return isPlain(string(f.Src[name.End:n.End])) }).(bool)
	if !plain || !isPlain(piece(f, e)) {
		return ""
	}
	return f.Text(name)
}

type plainKey struct{ element *syntax.Node }

// isPlain reports whether a text is a plain value, or a part of one that begins and
// ends between tokens.
func isPlain(text string) bool {
	return plainValue.MatchString(strings.TrimPrefix(strings.TrimSpace(quotedText.ReplaceAllString(text, "0")), "="))
}

// piece is what an edit makes of the tokens that it touches. Where a value is plain, the
// value with the edit is plain if this is: it is looked at alone, for a table may have
// thousands of entries, and each has mutants.
func piece(f *syntax.File, e Edit) string {
	start, end := e.Start, e.End
	if t := tokenAround(f, start); t != nil && t.Start < start {
		start, end = t.Start, max(end, t.End)
	}
	if t := tokenAround(f, end-1); t != nil && t.End > end {
		end = t.End
	}
	return string(f.Src[start:e.Start]) + e.New + string(f.Src[e.End:end])
}

// tokenAround gives the literal or other token that holds a byte; nil where none does.
func tokenAround(f *syntax.File, offset int) *syntax.Node {
	n := f.At(offset)
	if n == nil {
		return nil
	}
	if text := n.Up("string", "encapsed_string"); text != nil && text.Up("const_element") != nil {
		return text
	}
	if len(n.Children) > 0 && !n.Is("string", "encapsed_string") {
		return nil
	}
	return n
}
