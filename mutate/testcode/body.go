package testcode

import (
	"fmt"
	"math"
	"regexp"
	"slices"
	"strings"

	"assay/mutate"
)

// body is the statements of a test method.
type body struct {
	*code
	indent string
	lines  []string
	result string // the variable, with "$", that has what the last call gave
}

// statements writes the calls of a finding and the assertion of one look; false where the
// look cannot be written as one.
func (c *code) statements(f *mutate.Finding, look mutate.Look, indent string) ([]string, bool) {
	b := &body{code: c, indent: indent}
	last := f.Calls[len(f.Calls)-1]
	for _, call := range f.Calls[:len(f.Calls)-1] {
		b.call(call)
	}
	if len(b.lines) > 0 {
		b.lines = append(b.lines, "")
	}
	if !b.looked(f, last, look) {
		return nil, false
	}
	return b.lines, true
}

func (b *body) put(line string) { b.lines = append(b.lines, b.indent+line) }

// call writes a call as a statement.
func (b *body) call(c mutate.Call) {
	head := ""
	if c.Into != "" {
		head = "$" + c.Into + " = "
	}
	b.put(head + b.expression(c, b.indent, len(head)+1) + ";")
}

// expression writes a call; beside bytes stand on its line besides.
func (c *code) expression(call mutate.Call, indent string, beside int) string {
	head := ""
	switch call.Kind {
	case mutate.CallNew:
		head = "new " + c.names.class(call.Class)
	case mutate.CallMethod:
		head = "$" + call.On + "->" + call.Name
	case mutate.CallStatic:
		head = c.names.class(call.Class) + "::" + call.Name
	case mutate.CallFunction:
		head = c.names.function(call.Name)
	default:
		panic(fmt.Sprintf("testcode: call kind %d", call.Kind))
	}
	return head + c.arguments(call.Args, indent, lineWidth-len(head)-beside)
}

// looked writes the last call and what is asserted of its outcome.
func (b *body) looked(f *mutate.Finding, last mutate.Call, look mutate.Look) bool {
	if look.Original.Thrown {
		b.expectThrown(look)
		b.call(withoutInto(last))
		return true
	}
	switch look.Kind {
	case mutate.LookOutput:
		if look.Original.Value.Kind != mutate.ValueString {
			return false
		}
		b.put("$this->expectOutputString(" + b.value(look.Original.Value, b.indent) + ");")
		b.call(withoutInto(last))
		return true
	case mutate.LookArgument:
		if look.Argument >= len(last.Args) || last.Args[look.Argument].Value.Kind != mutate.ValueVariable {
			return false
		}
		b.call(withoutInto(last))
		return b.assert(look, func(string) string { return "$" + last.Args[look.Argument].Value.Variable })
	case mutate.LookReceiver:
		if last.Kind != mutate.CallMethod {
			return false
		}
		b.call(withoutInto(last))
		return b.assert(look, func(string) string { return "$" + last.On })
	case mutate.LookResult, mutate.LookThrown:
		if look.Original.Value.Kind == mutate.ValueUnset && look.Original.Class == "" {
			if !look.Mutant.Thrown {
				return false
			}
			b.put("$this->expectNotToPerformAssertions();")
			b.call(withoutInto(last))
			return true
		}
		return b.assertResult(f, last, look)
	}
	return false
}

func withoutInto(c mutate.Call) mutate.Call {
	c.Into = ""
	return c
}

// assertResult has the call within the assertion where that is short, else before it.
func (b *body) assertResult(f *mutate.Finding, last mutate.Call, look mutate.Look) bool {
	inline := func(indent string) string {
		text := b.expression(last, indent, 0)
		if last.Kind == mutate.CallNew && len(look.Path) > 0 && look.Path[0].Kind != mutate.AccessClass && look.Path[0].Kind != mutate.AccessAll {
			return "(" + text + ")"
		}
		return text
	}
	if text := inline(b.indent); len(text) <= lineWidth/2 && !strings.Contains(text, b.style.newline) || last.Into == "" && len(text) <= lineWidth-len(b.indent)-30 && len(look.Path) == 0 {
		return b.assert(look, inline)
	}
	if last.Into == "" {
		last.Into = freeVariable(f, "result")
	}
	b.call(last)
	return b.assert(look, func(string) string { return "$" + last.Into })
}

// freeVariable gives a name that no variable of the finding has.
func freeVariable(f *mutate.Finding, name string) string {
	used := func(name string) bool {
		return slices.ContainsFunc(f.Calls, func(c mutate.Call) bool { return c.Into == name || c.On == name })
	}
	free := name
	for n := 2; used(free); n++ {
		free = fmt.Sprint(name, n)
	}
	return free
}

// expectThrown writes what is expected of the exception. PHPUnit takes the message that is
// expected for a part of the one that comes; where the mutant's has it as a part, the
// whole is compared.
func (b *body) expectThrown(look mutate.Look) {
	o, m := look.Original, look.Mutant
	b.put("$this->expectException(" + b.names.class(o.Class) + "::class);")
	switch {
	case m.Thrown && m.Message != o.Message && strings.Contains(m.Message, o.Message):
		pattern := `/\A` + strings.ReplaceAll(regexp.QuoteMeta(o.Message), "/", `\/`) + `\z/`
		b.put("$this->expectExceptionMessageMatches(" + b.quoted(pattern) + ");")
	case o.Message != "":
		b.put("$this->expectExceptionMessage(" + b.value(mutate.Value{Kind: mutate.ValueString, String: o.Message}, b.indent) + ");")
	}
	if o.Code != 0 && (!m.Thrown || m.Code != o.Code) {
		b.put("$this->expectExceptionCode(" + integer(o.Code) + ");")
	}
}

// assert writes the assertion about what a path leads to; false where there is none.
func (b *body) assert(look mutate.Look, base func(indent string) string) bool {
	path, o := look.Path, look.Original
	if n := len(path); n > 0 && path[n-1].Kind == mutate.AccessClass {
		path = path[:n-1]
		if o.Class == "" {
			o.Class = o.Value.String
		}
		o.Value = mutate.Value{}
	}
	actual := func(indent string) string { return b.along(base(indent), path) }
	expected := func(indent string) string { return b.value(o.Value, indent) }
	v := o.Value
	switch {
	case v.Kind == mutate.ValueUnset && o.Class != "":
		b.assertion("InstanceOf", func(string) string { return b.names.class(o.Class) + "::class" }, actual)
	case v.Kind == mutate.ValueUnset:
		return false
	case v.Kind == mutate.ValueNull:
		b.assertion("Null", actual)
	case v.Kind == mutate.ValueBool && v.Bool:
		b.assertion("True", actual)
	case v.Kind == mutate.ValueBool:
		b.assertion("False", actual)
	case v.Kind == mutate.ValueFloat && math.IsNaN(v.Float):
		b.assertion("Nan", actual)
	case v.Kind == mutate.ValueFloat && math.IsInf(v.Float, 1) && !isInfinite(look.Mutant.Value):
		b.assertion("Infinite", actual)
	case contains(v, func(v mutate.Value) bool { return v.Kind == mutate.ValueFloat && math.IsNaN(v.Float) }):
		return false // it is not equal to itself
	case contains(v, func(v mutate.Value) bool { return v.Kind == mutate.ValueNew }):
		b.assertion("Equals", expected, actual)
	default:
		b.assertion("Same", expected, actual)
	}
	return true
}

func isInfinite(v mutate.Value) bool { return v.Kind == mutate.ValueFloat && math.IsInf(v.Float, 0) }

// contains reports whether a value, or one within it, is such.
func contains(v mutate.Value, such func(mutate.Value) bool) bool {
	if such(v) {
		return true
	}
	for _, it := range v.Items {
		if contains(it.Value, such) {
			return true
		}
	}
	for _, a := range v.Args {
		if contains(a.Value, such) {
			return true
		}
	}
	return false
}

// assertion writes a call of one of PHPUnit's assertions.
func (b *body) assertion(name string, args ...func(indent string) string) {
	head := b.style.assert + "assert" + name
	parts := make([]string, len(args))
	for i, a := range args {
		parts[i] = a(b.indent)
	}
	b.put(head + b.list("(", ")", parts, b.indent, lineWidth-len(head)-1, false, func(i int, indent string) string { return args[i](indent) }) + ";")
}

var identifier = regexp.MustCompile(`\A[A-Za-z_\x80-\xff][A-Za-z0-9_\x80-\xff]*\z`)

// along writes the way from an expression to a part of what it gives.
func (c *code) along(base string, path []mutate.Access) string {
	for _, a := range path {
		name := a.Name
		if !identifier.MatchString(name) {
			name = "{" + c.quoted(name) + "}"
		}
		switch a.Kind {
		case mutate.AccessProperty:
			base += "->" + name
		case mutate.AccessMethod:
			base += "->" + name + "()"
		case mutate.AccessKey:
			base += "[" + c.key(a.Key) + "]"
		case mutate.AccessAll:
			base = c.names.function("iterator_to_array") + "(" + base + ", false)"
		case mutate.AccessClass:
			base = c.names.function("get_class") + "(" + base + ")"
		default:
			panic(fmt.Sprintf("testcode: access kind %d", a.Kind))
		}
	}
	return base
}
