package testcode

import (
	"fmt"
	"path"
	"strings"

	"assay/mutate"
	"assay/mutate/syntax"
)

// newClass writes a finding as a class of its own, in the manner and in the place of the
// nearest test class; false where there is none, or the class would not be found by its
// name.
func (s *Suite) newClass(f *mutate.Finding, look mutate.Look) (Test, bool) {
	near := s.nearest(f)
	if near == nil {
		return Test{}, false
	}
	text := near.file.Text
	name := s.freeClass(near, subject(f))
	at := path.Join(path.Dir(near.file.Path), name+path.Ext(near.file.Path))
	file, err := syntax.Parse(at, []byte(near.skeleton(name)))
	if err != nil {
		return Test{}, false
	}
	var c *testClass
	file.Walk(func(n *syntax.Node) bool {
		if n.Kind == "class_declaration" && c == nil {
			c = s.openClass(file, n)
		}
		return c == nil
	})
	if c == nil {
		return Test{}, false
	}
	base := near.style
	c.style, c.style.base = base, base.indent
	c.names.globals = near.names.globals
	if len(near.names.uses) > 0 && len(c.names.uses) == 0 {
		c.names.anchor = lineStart(file.Src, c.node.Start)
	}
	if parent := near.node.First("base_clause"); parent != nil {
		full := near.names.resolve(text(parent.First("name", "qualified_name")))
		c.names.taken[strings.ToLower(lastOf(full))] = full
	}
	t, ok := c.method(f, look)
	if !ok {
		return t, false
	}
	t.Kind, t.Old = Class, nil
	t.Code = string(t.New)
	return t, true
}

// subject is the short name of the class that a finding is about, or of its function.
func subject(f *mutate.Finding) string {
	last := f.Calls[len(f.Calls)-1]
	if last.Class != "" {
		return lastOf(last.Class)
	}
	name := lastOf(last.Name)
	return strings.ToUpper(name[:1]) + name[1:]
}

// nearest gives the test class whose name has most in common with that of the class that a
// finding is about; of several the first in the order of the files.
func (s *Suite) nearest(f *mutate.Finding) *testClass {
	last := f.Calls[len(f.Calls)-1]
	about := last.Class
	if about == "" {
		about = last.Name
	}
	best, most := (*testClass)(nil), -1
	for _, source := range s.sources {
		file := strings.TrimSuffix(path.Base(source.Path), path.Ext(source.Path))
		if !strings.HasSuffix(file, "Test") {
			continue
		}
		c := s.open(source, "")
		if c == nil || lastOf(c.name) != file || c.node.First("base_clause") == nil || c.node.First("abstract_modifier") != nil {
			continue
		}
		if n := common(strings.TrimSuffix(c.name, "Test"), about); n > most {
			best, most = c, n
		}
	}
	return best
}

// common counts the words that two names end and begin with alike: a namespace for tests
// is a part more, in front or in between.
func common(test, about string) int {
	n := 0
	for _, word := range strings.Split(about, `\`) {
		for _, other := range strings.Split(test, `\`) {
			if strings.EqualFold(word, other) {
				n++
				break
			}
		}
	}
	return n
}

// freeClass gives the name of a test class that is not there yet.
func (s *Suite) freeClass(near *testClass, subject string) string {
	space, _ := cut(near.name)
	for n := 1; ; n++ {
		name := subject + "Test"
		switch n {
		case 1:
		case 2:
			name = subject + "PinnedTest"
		default:
			name = fmt.Sprintf("%sPinned%dTest", subject, n-1)
		}
		at := path.Join(path.Dir(near.file.Path), name+path.Ext(near.file.Path))
		taken := s.class(join(space, name)) != nil
		for _, source := range s.sources {
			taken = taken || strings.EqualFold(source.Path, at)
		}
		if !taken {
			return name
		}
	}
}

// skeleton is an empty class that is declared as this one is.
func (c *testClass) skeleton(name string) string {
	nl := c.style.newline
	var b strings.Builder
	b.WriteString("<?php" + nl + nl)
	if d := c.file.Root.First("declare_statement"); d != nil {
		b.WriteString(c.file.Text(d) + nl + nl)
	}
	if c.names.namespace != "" {
		b.WriteString("namespace " + c.names.namespace + ";" + nl + nl)
	}
	written := c.file.Text(c.node.First("base_clause").First("name", "qualified_name"))
	first, _, _ := strings.Cut(written, `\`)
	if full := aliased(c.names.classes, first); full != "" {
		b.WriteString("use " + full)
		if lastOf(full) != first {
			b.WriteString(" as " + first)
		}
		b.WriteString(";" + nl + nl)
	}
	if c.node.First("final_modifier") != nil || len(c.methods) == 0 {
		b.WriteString("final ")
	}
	b.WriteString("class " + name + " extends " + written)
	if c.braceOnSameLine() {
		b.WriteString(" {" + nl)
	} else {
		b.WriteString(nl + "{" + nl)
	}
	b.WriteString("}" + nl)
	return b.String()
}

func (c *testClass) braceOnSameLine() bool {
	head := c.node.First("base_clause")
	return head != nil && !strings.Contains(string(c.file.Src[head.End:c.body.Start]), "\n")
}
