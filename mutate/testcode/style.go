package testcode

import (
	"bytes"
	"regexp"
	"strings"
	"unicode/utf8"

	"assay/mutate/syntax"
)

// marking is how a class says which of its methods are tests.
type marking uint8

const (
	byPrefix marking = iota
	byAttribute
	byAnnotation
)

// style is how the tests of a class are written.
type style struct {
	newline    string
	indent     string // of one level
	base       string // indentation of the class's members
	assert     string // what stands before the name of an assertion
	marking    marking
	snake      bool
	void       bool
	longArrays bool
	sameLine   bool // the brace of a method stands behind its head
	dense      bool // no empty line between methods
	utf8       bool // the file's text is UTF-8
}

// A testClass is a class of a test file, as it is written.
type testClass struct {
	suite   *Suite
	file    *syntax.File
	node    *syntax.Node
	body    *syntax.Node
	name    string // full
	methods []*syntax.Node
	style   style
	names   *names
}

// assertCall finds how assertions are called. Those of $this are the commonest.
var assertCall = regexp.MustCompile(`(?i)(\$this->|\bself::|\bstatic::|\bAssert::)assert[A-Z]`)

// longArray finds arrays in the long form. Types are written the same, without "(".
var longArray = regexp.MustCompile(`(?i)[^\w\\>:$]array\s*\(`)

var shortArray = regexp.MustCompile(`(?:[=(,>]|return|yield)\s*\[`)

// openClass reads a class of a file; nil where it is not written so that it can be added
// to.
func (s *Suite) openClass(f *syntax.File, node *syntax.Node) *testClass {
	body := node.Child("body")
	if node.Bad || body == nil || body.Bad || len(body.Children) < 2 {
		return nil
	}
	c := &testClass{suite: s, file: f, node: node, body: body, name: f.Scope(node).Class, names: readNames(f, node)}
	if node.Kind == "class_declaration" {
		c.name = join(f.Scope(node).Namespace, f.Text(node.Child("name")))
	}
	for _, m := range body.Children {
		if m.Kind == "method_declaration" {
			c.methods = append(c.methods, m)
		}
	}
	c.readStyle()
	return c
}

func (c *testClass) readStyle() {
	src := c.file.Src
	s := style{newline: "\n", indent: "    ", utf8: utf8.Valid(src)}
	if 2*bytes.Count(src, []byte("\r\n")) > bytes.Count(src, []byte("\n")) {
		s.newline = "\r\n"
	}
	outer := indentAt(src, c.node.Start)
	s.base = outer + s.indent
	if len(c.methods) > 0 {
		first := c.methods[0]
		s.base = indentAt(src, first.Start)
		if unit, ok := strings.CutPrefix(s.base, outer); ok && unit != "" {
			s.indent = unit
		}
		if b := first.Child("body"); b != nil {
			s.sameLine = !bytes.Contains(src[first.Child("parameters").End:b.Start], []byte("\n"))
		}
	}
	text := src[c.body.Start:c.body.End]
	s.assert = commonest(assertCall, text, "$this->")
	s.longArrays = len(longArray.FindAllIndex(text, -1)) > len(shortArray.FindAllIndex(text, -1))
	if n := len(c.methods); n > 1 {
		gap := src[c.methods[n-2].End:c.methods[n-1].Start]
		s.dense = bytes.Count(gap, []byte("\n")) == 1
	}
	c.style = s
	c.readTests()
}

// readTests finds out how the tests among the methods are marked and named.
func (c *testClass) readTests() {
	marks := map[marking]int{}
	tests, voids, snakes := 0, 0, 0
	for _, m := range c.methods {
		how, is := c.isTest(m)
		if !is {
			continue
		}
		tests++
		marks[how]++
		if t := m.Child("return_type"); t != nil && strings.EqualFold(c.file.Text(t), "void") {
			voids++
		}
		if strings.Contains(strings.Trim(c.file.Text(m.Child("name")), "_"), "_") {
			snakes++
		}
	}
	s := &c.style
	for _, how := range []marking{byAttribute, byAnnotation} {
		if marks[how] > marks[s.marking] {
			s.marking = how
		}
	}
	s.void = tests == 0 || 2*voids >= tests
	s.snake = 2*snakes > tests
}

var testAnnotation = regexp.MustCompile(`@test\b`)

func (c *testClass) isTest(m *syntax.Node) (marking, bool) {
	switch name := c.file.Text(m.Child("name")); {
	case strings.HasPrefix(strings.ToLower(name), "test"):
		return byPrefix, true
	case len(c.attributes(m, "Test")) > 0:
		return byAttribute, true
	}
	return byAnnotation, testAnnotation.MatchString(c.doc(m))
}

// attributes gives the attributes of a method that have a name of PHPUnit's.
func (c *testClass) attributes(m *syntax.Node, name string) []*syntax.Node {
	var out []*syntax.Node
	list := m.Child("attributes")
	if list == nil {
		return nil
	}
	list.Walk(func(n *syntax.Node) bool {
		if n.Kind == "attribute" {
			if full := c.names.resolve(c.file.Text(n.First("name", "qualified_name"))); full == `PHPUnit\Framework\Attributes\`+name {
				out = append(out, n)
			}
			return false
		}
		return true
	})
	return out
}

// doc gives the comment of a method, or "".
func (c *testClass) doc(m *syntax.Node) string {
	if m.Index == 0 {
		return ""
	}
	if before := m.Parent.Children[m.Index-1]; before.Kind == "comment" {
		if text := c.file.Text(before); strings.HasPrefix(text, "/**") {
			return text
		}
	}
	return ""
}

func commonest(pattern *regexp.Regexp, text []byte, otherwise string) string {
	counts := map[string]int{}
	best := otherwise
	for _, m := range pattern.FindAllSubmatch(text, -1) {
		word := string(m[1])
		if counts[word]++; counts[word] > counts[best] {
			best = word
		}
	}
	return best
}

// indentAt gives the blanks with which the line of an offset begins.
func indentAt(src []byte, at int) string {
	from := lineStart(src, at)
	to := from
	for to < len(src) && (src[to] == ' ' || src[to] == '\t') {
		to++
	}
	return string(src[from:to])
}

func lineStart(src []byte, at int) int { return bytes.LastIndexByte(src[:at], '\n') + 1 }

// lineEnd is the offset behind the newline of the line that holds at.
func lineEnd(src []byte, at int) int {
	if i := bytes.IndexByte(src[at:], '\n'); i >= 0 {
		return at + i + 1
	}
	return len(src)
}
