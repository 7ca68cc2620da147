package testcode

import (
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"

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
	comma  bool   // a comma follows it
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

// rowsOf reads a method whose one statement returns an array of arrays, a row a line or
// more.
func (c *testClass) rowsOf(m *syntax.Node) *provider {
	statements := m.Child("body").NamedChildren()
	if len(statements) != 1 || statements[0].Kind != "return_statement" {
		return nil
	}
	array := statements[0].First("array_creation_expression")
	if array == nil || array.Bad {
		return nil
	}
	elements := array.NamedChildren()
	if len(elements) == 0 {
		return nil
	}
	p := &provider{rows: len(elements), name: c.file.Text(m.Child("name"))}
	named := 0
	for _, e := range elements {
		parts := e.NamedChildren()
		if e.Kind != "array_element_initializer" || len(parts) == 0 || len(parts) > 2 || parts[len(parts)-1].Kind != "array_creation_expression" {
			return nil
		}
		p.long = parts[len(parts)-1].Children[0].Kind != "["
		if len(parts) == 2 {
			key, ok := stringOf(c.file, parts[0])
			if !ok {
				return nil // the numbers of rows without a name are not known then
			}
			p.keys = append(p.keys, key)
			named++
		}
	}
	if named != 0 && named != len(elements) {
		return nil
	}
	p.keyed = named > 0
	last := elements[len(elements)-1]
	p.end, p.indent = last.End, indentAt(c.file.Src, last.Start)
	if next := last.Next(); next.Is(",") {
		p.end, p.comma = next.End, true
	}
	// A row is put behind the last one's line, so the bracket has to be on a later one.
	shut := array.Children[len(array.Children)-1]
	rest := string(c.file.Src[p.end:lineEnd(c.file.Src, p.end)])
	if lineEnd(c.file.Src, p.end) > shut.Start || strings.TrimSpace(rest) != "" && !strings.HasPrefix(strings.TrimSpace(rest), "//") {
		return nil
	}
	return p
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
	if name := strings.Join(parts, ", "); name != "" && len(name) <= longestRowName && (&code{style: &style{}}).plain(name) {
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
