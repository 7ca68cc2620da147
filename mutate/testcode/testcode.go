package testcode

import (
	"bytes"
	"cmp"
	"slices"
	"strings"

	"assay/mutate"
	"assay/mutate/syntax"
)

// Kind says how a test is written.
type Kind uint8

const (
	Unset  Kind = iota
	Row         // a row of a data provider
	Method      // a method of a class that there is
	Class       // a class of its own
)

// A Test is a finding as a test.
type Test struct {
	Finding *mutate.Finding
	Kind    Kind
	Path    string // of the file, relative to the project, with "/"
	Old     []byte // its text; nil where the file is new
	New     []byte
	ID      mutate.TestID
	Code    string // what is put in, but for imports, with the file's line ends and indentation
}

// A Suite is the test files of a project.
type Suite struct {
	sources []*mutate.Source
	files   map[string]*syntax.File
	classes map[string]*mutate.Source // lower-case full name of a class that was looked for
	named   map[string]string         // names that tests were given => what they do
}

// New gives the suite of some files, whose texts are not changed.
func New(sources []*mutate.Source) *Suite {
	return &Suite{sources: sources, files: map[string]*syntax.File{}, classes: map[string]*mutate.Source{}, named: map[string]string{}}
}

// free reports whether a test may have a name: no other was given it, or one that does the
// same. A test that is written twice has one name.
func (s *Suite) free(class, name, does string) bool {
	key := strings.ToLower(class + "::" + name)
	before, given := s.named[key]
	if !given {
		s.named[key] = does
	}
	return !given || before == does
}

// looksWritten bounds how many of a finding's looks are written as methods.
const looksWritten = 3

// Write gives the ways to write a finding, the plainest first; none where there is nothing
// that a test could assert.
func (s *Suite) Write(f *mutate.Finding) []Test {
	if len(f.Calls) == 0 || len(f.Looks) == 0 {
		return nil
	}
	var out []Test
	class, _, _ := strings.Cut(string(f.From), "::")
	looks := f.Looks[:min(len(f.Looks), looksWritten)]
	same := s.inShort(f, class)
	for _, f := range same {
		if c := s.class(class); c != nil {
			if t, ok := c.row(f); ok {
				out = append(out, t)
			}
		}
	}
	for _, name := range s.homes(f, class) {
		for _, look := range looks {
			for _, f := range same {
				c := s.class(name) // anew, for what is to be imported is noted in it
				if t, ok := c.method(f, look); ok {
					out = append(out, t)
				}
			}
		}
	}
	for _, look := range looks {
		if t, ok := s.newClass(f, look); ok {
			return append(out, t)
		}
	}
	return out
}

// homes names the classes of the suite that a method may go into: the one that is named
// after the class that is called, and the one that the finding comes from.
func (s *Suite) homes(f *mutate.Finding, from string) []string {
	var out []string
	if s.class(from) == nil {
		return out // nothing is known of where tests of this suite stand
	}
	space, last := cut(from)
	if own := join(space, subject(f)+"Test"); !strings.EqualFold(last, subject(f)+"Test") && s.class(own) != nil {
		out = append(out, own)
	}
	return append(out, from)
}

// class opens a class of the suite by its full name; nil where there is none.
func (s *Suite) class(full string) *testClass {
	key := strings.ToLower(full)
	source, known := s.classes[key]
	if !known {
		short := []byte(strings.ToLower(lastOf(full)))
		for _, candidate := range s.sources {
			if len(short) > 0 && bytes.Contains(bytes.ToLower(candidate.Text), short) && s.open(candidate, full) != nil {
				source = candidate
				break
			}
		}
		s.classes[key] = source
	}
	if source == nil {
		return nil
	}
	return s.open(source, full)
}

// open reads a class of a file.
func (s *Suite) open(source *mutate.Source, full string) *testClass {
	f := s.files[source.Path]
	if f == nil {
		var err error
		if f, err = syntax.Parse(source.Path, source.Text); err != nil {
			return nil // what cannot be read is not written to
		}
		s.files[source.Path] = f
	}
	var found *testClass
	f.Walk(func(n *syntax.Node) bool {
		if found != nil || n.Is("compound_statement", "declaration_list") && n.Parent.Kind != "namespace_definition" {
			return false
		}
		if n.Kind == "class_declaration" && (full == "" || strings.EqualFold(join(f.Scope(n).Namespace, f.Text(n.Child("name"))), full)) {
			found = s.openClass(f, n)
		}
		return true
	})
	return found
}

// method writes a finding as a method at the end of the class.
func (c *testClass) method(f *mutate.Finding, look mutate.Look) (Test, bool) {
	inner := c.style.base + c.style.indent
	lines, ok := (&code{&c.style, c.names}).statements(f, look, inner)
	if !ok {
		return Test{}, false
	}
	name := c.methodName(title(f, look), strings.Join(lines, "\n"))
	text := c.lines(c.head(name), lines, []string{c.style.base + "}"})
	src := c.file.Src
	brace := c.body.Children[len(c.body.Children)-1].Start
	put := insertion{at: lineStart(src, brace), text: text}
	if before := strings.TrimSpace(string(src[put.at:brace])); before != "" {
		put = insertion{at: brace, text: c.style.newline + text + indentAt(src, c.node.Start)}
	} else if len(c.body.NamedChildren()) > 0 && !c.style.dense && !emptyLineBefore(src, put.at) {
		put.text = c.style.newline + text
	}
	t := c.test(f, Method, put)
	t.ID, t.Code = mutate.TestID(c.name+"::"+name), text
	return t, true
}

func emptyLineBefore(src []byte, at int) bool {
	return at > 0 && len(bytes.TrimSpace(src[lineStart(src, at-1):at])) == 0
}

// lines joins lines and ends each as the file does.
func (c *testClass) lines(parts ...[]string) string {
	return strings.Join(slices.Concat(parts...), c.style.newline) + c.style.newline
}

// head writes what stands before the statements of a method.
func (c *testClass) head(name string) []string {
	base := c.style.base
	out := []string{base + "// " + mutate.Question}
	switch c.style.marking {
	case byAttribute:
		out = append(out, base+"#["+c.names.class(`PHPUnit\Framework\Attributes\Test`)+"]")
	case byAnnotation:
		out = []string{base + "/**", base + " * " + mutate.Question, base + " *", base + " * @test", base + " */"}
	}
	declaration := base + "public function " + name + "()"
	if c.style.void {
		declaration += ": void"
	}
	if c.style.sameLine {
		return append(out, declaration+" {")
	}
	return append(out, declaration, base+"{")
}

// test gives the file with something put in, and what that needs of imports.
func (c *testClass) test(f *mutate.Finding, kind Kind, put ...insertion) Test {
	src := c.file.Src
	return Test{Finding: f, Kind: kind, Path: c.file.Path, Old: src, New: insert(src, append(c.imports(), put...))}
}

// imports gives the lines that import what was named: among the others where these are in
// order, else behind them.
func (c *testClass) imports() []insertion {
	var out []insertion
	added := slices.Clone(c.names.added)
	slices.Sort(added)
	src, uses, nl := c.file.Src, c.names.uses, c.style.newline
	if len(uses) == 0 && len(added) > 0 {
		return []insertion{{c.names.anchor, "use " + strings.Join(added, ";"+nl+"use ") + ";" + nl + nl}}
	}
	for _, full := range added {
		text := func(n *syntax.Node) string { return strings.ToLower(c.file.Text(n)) }
		own := strings.ToLower("use " + full + ";")
		next := len(uses)
		if slices.IsSortedFunc(uses, func(a, b *syntax.Node) int { return cmp.Compare(text(a), text(b)) }) {
			next = slices.IndexFunc(uses, func(n *syntax.Node) bool { return text(n) > own })
			if next < 0 {
				next = len(uses)
			}
		}
		at := lineEnd(src, uses[len(uses)-1].End)
		if next < len(uses) {
			at = lineStart(src, uses[next].Start)
		}
		out = append(out, insertion{at, indentAt(src, uses[0].Start) + "use " + full + ";" + nl})
	}
	return out
}
