package testcode

import (
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"unicode"

	"assay/mutate"
	"assay/mutate/syntax"
)

// row writes a finding as a row of the data provider of the test that it comes from, where
// that test makes this very call of its parameters and compares the result with one of
// them.
func (c *testClass) row(f *mutate.Finding) (Test, bool) {
	look := f.Looks[0]
	if look.Kind != mutate.LookResult || len(look.Path) > 0 || look.Original.Thrown || look.Original.Value.Kind == mutate.ValueUnset {
		return Test{}, false
	}
	_, name, _ := strings.Cut(string(f.From), "::")
	name, _, _ = strings.Cut(name, "#")
	m := c.methodNamed(name)
	if m == nil {
		return Test{}, false
	}
	p := c.provider(m)
	values, ok := c.bind(f, m, look)
	if p == nil || !ok {
		return Test{}, false
	}
	text := ""
	w := &code{&c.style, c.names}
	for i, v := range values {
		if i > 0 {
			text += ", "
		}
		text += w.value(v, p.indent)
	}
	open, shut := "[", "]"
	if p.long {
		open, shut = "array(", ")"
	}
	text = open + text + shut
	key := c.newKey(p, rowName(f, look), text)
	if p.keyed {
		text = single(key) + " => " + text
	}
	nl := c.style.newline
	row := p.indent + "// " + mutate.Question + nl + p.indent + text + "," + nl
	if p.yields {
		row = p.indent + "// " + mutate.Question + nl + p.indent + "yield " + text + ";" + nl
	}
	put := []insertion{{lineEnd(c.file.Src, p.end), row}}
	if !p.comma {
		put = append(put, insertion{p.end, ","})
	}
	t := c.test(f, Row, put...)
	id := c.name + "::" + name + "#"
	if p.keyed {
		t.ID = mutate.TestID(id + key)
	} else {
		t.ID = mutate.TestID(id + strconv.Itoa(p.rows))
	}
	t.Code = row
	return t, true
}

func (c *testClass) methodNamed(name string) *syntax.Node {
	for _, m := range c.methods {
		if strings.EqualFold(c.file.Text(m.Child("name")), name) && !m.Bad && m.Child("body") != nil {
			return m
		}
	}
	return nil
}

// provider is a list of rows that another one can be put into.
type provider struct {
	name   string
	rows   int
	keyed  bool // the rows have names
	keys   []string
	long   bool   // rows are written array(...)
	indent string // of a row's line
	end    int    // offset behind the last row
	comma  bool   // nothing is missing behind it
	yields bool   // each row is a statement
}

var annotatedProvider = regexp.MustCompile(`@dataProvider[ \t]+([A-Za-z0-9_]+)[ \t\r]*(?:\n|\*/)`)

var anyProvider = regexp.MustCompile(`@(dataProvider|testWith)\b`)

// provider reads the data provider of a test, if it has one that returns rows as they are
// written; else nil.
func (c *testClass) provider(m *syntax.Node) *provider {
	names := map[string]bool{}
	doc := c.doc(m)
	for _, found := range annotatedProvider.FindAllStringSubmatch(doc, -1) {
		names[found[1]] = true
	}
	if len(anyProvider.FindAllString(doc, -1)) > len(names) || len(c.attributes(m, "TestWith"))+len(c.attributes(m, "DataProviderExternal")) > 0 {
		return nil
	}
	for _, a := range c.attributes(m, "DataProvider") {
		named := a.Child("parameters").NamedChildren()
		if len(named) != 1 {
			return nil
		}
		text, ok := stringOf(c.file, named[0].First("string", "encapsed_string"))
		if !ok {
			return nil
		}
		names[text] = true
	}
	if len(names) != 1 {
		return nil
	}
	for name := range names {
		if p := c.methodNamed(name); p != nil {
			return c.rowsOf(p)
		}
	}
	return nil
}

// rowsOf reads a method that does no more than to return an array of arrays, or to yield
// arrays, a row a line or more.
func (c *testClass) rowsOf(m *syntax.Node) *provider {
	p := &provider{name: c.file.Text(m.Child("name"))}
	statements := m.Child("body").NamedChildren()
	var elements []*syntax.Node
	shut := m.Child("body").End - 1 // where what holds the rows ends
	if len(statements) == 1 && statements[0].Kind == "return_statement" {
		array := statements[0].First("array_creation_expression")
		if array == nil || array.Bad {
			return nil
		}
		elements, shut = array.NamedChildren(), array.Children[len(array.Children)-1].Start
	} else {
		p.yields = true
		for _, s := range statements {
			yield := s.First("yield_expression")
			if s.Kind != "expression_statement" || s.Bad || yield == nil || len(yield.NamedChildren()) != 1 {
				return nil
			}
			elements = append(elements, yield.NamedChildren()[0])
		}
	}
	if len(elements) == 0 || !c.readRows(p, elements) {
		return nil
	}
	last := elements[len(elements)-1]
	p.indent = indentAt(c.file.Src, last.Start)
	if p.yields {
		p.end, p.comma = statements[len(statements)-1].End, true
	} else if p.end = last.End; last.Next().Is(",") {
		p.end, p.comma = last.Next().End, true
	}
	// A row is put behind the last one's line, so what holds them has to end on a later one.
	end := lineEnd(c.file.Src, p.end)
	rest := strings.TrimSpace(string(c.file.Src[p.end:end]))
	if end > shut || rest != "" && !strings.HasPrefix(rest, "//") {
		return nil
	}
	return p
}

// readRows reads the names of rows, of which either all or none have one.
func (c *testClass) readRows(p *provider, elements []*syntax.Node) bool {
	for _, e := range elements {
		parts := e.NamedChildren()
		if e.Kind != "array_element_initializer" || len(parts) == 0 || len(parts) > 2 || parts[len(parts)-1].Kind != "array_creation_expression" {
			return false
		}
		p.long = parts[len(parts)-1].Children[0].Kind != "["
		if len(parts) == 2 {
			key, ok := stringOf(c.file, parts[0])
			if !ok {
				return false // the numbers of rows without a name are not known then
			}
			p.keys = append(p.keys, key)
		}
	}
	p.rows, p.keyed = len(elements), len(p.keys) > 0
	return len(p.keys) == 0 || len(p.keys) == len(elements)
}

// longestRowName bounds, in bytes, the name of a row that is made of arguments.
const longestRowName = 60

// rowName gives the arguments of the call in short, or what a method would be called.
func rowName(f *mutate.Finding, look mutate.Look) string {
	var parts []string
	for _, a := range f.Calls[len(f.Calls)-1].Args {
		if s := inShort(resolved(f, a.Value)); s != "" {
			parts = append(parts, s)
		}
	}
	// PHP takes a name of digits for a number.
	if name := strings.Join(parts, ", "); strings.ContainsFunc(name, unicode.IsLetter) && len(name) <= longestRowName && (&code{style: &style{}}).plain(name) {
		return name
	}
	return strings.ToLower(strings.Join(title(f, look), " "))
}

func inShort(v mutate.Value) string {
	switch v.Kind {
	case mutate.ValueString:
		return v.String
	case mutate.ValueCase:
		return v.Name
	case mutate.ValueNew:
		if len(v.Args) > 0 {
			return inShort(v.Args[0].Value)
		}
	case mutate.ValueNull, mutate.ValueBool, mutate.ValueInt, mutate.ValueFloat:
		return (&code{}).value(v, "")
	}
	return ""
}

// newKey gives a name for a row that no other has.
func (c *testClass) newKey(p *provider, key, row string) string {
	free := key
	for n := 2; slices.Contains(p.keys, free) || !c.suite.free(c.name+"#"+p.name, free, row); n++ {
		free = fmt.Sprintf("%s (%d)", key, n)
	}
	return free
}

// stringOf gives what a plain string literal says.
func stringOf(f *syntax.File, n *syntax.Node) (string, bool) {
	if n == nil || n.Bad || !n.Is("string", "encapsed_string") {
		return "", false
	}
	inner := n.NamedChildren()
	if len(inner) == 0 {
		return "", true
	}
	if len(inner) != 1 || inner[0].Kind != "string_content" {
		return "", false
	}
	return f.Text(inner[0]), true
}

// bind finds the values that the parameters of a test need for it to make the last call of
// a finding and compare what that gives with what the original gave.
func (c *testClass) bind(f *mutate.Finding, m *syntax.Node, look mutate.Look) ([]mutate.Value, bool) {
	b := &binding{class: c, finding: f, values: map[string]mutate.Value{}}
	var order []string
	for _, p := range m.Child("parameters").NamedChildren() {
		if p.Kind != "simple_parameter" || p.Child("reference_modifier") != nil {
			return nil, false
		}
		name := c.file.Text(p.Child("name"))
		order = append(order, name)
		b.params = append(b.params, name)
	}
	if len(order) == 0 || !b.assertion(m.Child("body"), look) {
		return nil, false
	}
	var out []mutate.Value
	for _, name := range order {
		v, bound := b.values[name]
		if !bound {
			return nil, false
		}
		out = append(out, v)
	}
	return out, true
}

// binding is the values of parameters, by their names with "$".
type binding struct {
	class   *testClass
	finding *mutate.Finding
	params  []string
	values  map[string]mutate.Value
}

// assertion looks for the one assertion of a test, and binds what stands in it.
func (b *binding) assertion(body *syntax.Node, look mutate.Look) bool {
	var found []*syntax.Node
	text := b.class.file.Text
	body.Walk(func(n *syntax.Node) bool {
		if n.Is("member_call_expression", "scoped_call_expression") && strings.HasPrefix(strings.ToLower(text(n.Child("name"))), "assert") {
			found = append(found, n)
		}
		return true
	})
	if len(found) != 1 || !strings.EqualFold(text(found[0].Child("name")), "assertSame") && !strings.EqualFold(text(found[0].Child("name")), "assertEquals") {
		return false
	}
	args := found[0].Child("arguments").NamedChildren()
	if len(args) < 2 || !plainArgument(args[0]) || !plainArgument(args[1]) {
		return false
	}
	if !b.bind(args[0].NamedChildren()[0], look.Original.Value) {
		return false
	}
	call := args[1].NamedChildren()[0].Unwrapped()
	if call.Kind == "variable_name" {
		call = b.assigned(body, text(call))
	}
	return call != nil && b.call(call)
}

// assigned gives what the only assignment to a variable assigns, or nil.
func (b *binding) assigned(body *syntax.Node, name string) *syntax.Node {
	var found []*syntax.Node
	body.Walk(func(n *syntax.Node) bool {
		if n.Kind == "assignment_expression" && b.class.file.Text(n.Child("left")) == name {
			found = append(found, n.Child("right"))
		}
		return true
	})
	if len(found) != 1 {
		return nil
	}
	return found[0].Unwrapped()
}

func plainArgument(n *syntax.Node) bool {
	return n.Kind == "argument" && len(n.NamedChildren()) == 1 && n.Child("name") == nil && !n.NamedChildren()[0].Is("variadic_unpacking", "by_ref")
}

// call binds the arguments of a call, which has to be the finding's last.
func (b *binding) call(n *syntax.Node) bool {
	last := b.finding.Calls[len(b.finding.Calls)-1]
	text := b.class.file.Text
	switch last.Kind {
	case mutate.CallMethod:
		if n.Kind != "member_call_expression" || !strings.EqualFold(text(n.Child("name")), last.Name) {
			return false
		}
	case mutate.CallStatic:
		if n.Kind != "scoped_call_expression" || !strings.EqualFold(text(n.Child("name")), last.Name) ||
			!strings.EqualFold(b.class.names.resolve(text(n.Child("scope"))), last.Class) {
			return false
		}
	case mutate.CallFunction:
		if n.Kind != "function_call_expression" || !strings.EqualFold(lastOf(text(n.Child("function"))), lastOf(last.Name)) {
			return false
		}
	default:
		return false
	}
	return b.arguments(n.First("arguments"), last.Args)
}

func (b *binding) arguments(list *syntax.Node, args []mutate.Argument) bool {
	written := list.NamedChildren()
	if len(written) != len(args) {
		return false
	}
	for i, a := range args {
		if a.Name != "" || !plainArgument(written[i]) || !b.bind(written[i].NamedChildren()[0].Unwrapped(), resolved(b.finding, a.Value)) {
			return false
		}
	}
	return true
}

// bind has an expression of a test be a value.
func (b *binding) bind(n *syntax.Node, v mutate.Value) bool {
	text := b.class.file.Text(n)
	switch n.Kind {
	case "variable_name":
		known := false
		for _, p := range b.params {
			known = known || p == text
		}
		w := code{&b.class.style, b.class.names}
		if before, bound := b.values[text]; bound && w.value(before, "") != w.value(v, "") {
			return false
		}
		b.values[text] = v
		return known && !contains(v, func(v mutate.Value) bool { return v.Kind == mutate.ValueVariable })
	case "object_creation_expression":
		named := n.First("name", "qualified_name")
		return named != nil && v.Kind == mutate.ValueNew && strings.EqualFold(b.class.names.resolve(b.class.file.Text(named)), strings.TrimPrefix(v.Class, `\`)) &&
			b.arguments(n.First("arguments"), v.Args)
	case "class_constant_access_expression":
		parts := n.NamedChildren()
		return v.Kind == mutate.ValueCase && len(parts) == 2 && b.class.file.Text(parts[1]) == v.Name &&
			strings.EqualFold(b.class.names.resolve(b.class.file.Text(parts[0])), v.Class)
	case "string", "encapsed_string":
		said, ok := stringOf(b.class.file, n)
		return ok && v.Kind == mutate.ValueString && v.String == said
	case "integer":
		return v.Kind == mutate.ValueInt && text == integer(v.Int)
	case "boolean":
		return v.Kind == mutate.ValueBool && strings.EqualFold(text, strconv.FormatBool(v.Bool))
	case "null":
		return v.Kind == mutate.ValueNull
	}
	return false
}
