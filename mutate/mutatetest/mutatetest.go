// Package mutatetest runs case archives against operators. Only tests import
// it.
//
// An archive is a txtar file of cases, each two sections:
//
//	-- NAME/in.php --
//	<?php
//	return $age >= 18;
//	-- NAME/want --
//	2:13 relational/boundary-excluded: >= -> >
//
// A line of a want is the 1-based line and column (in bytes) of an edit, the
// operator's ID, and the text before and after, see [Show]. The lines are in
// source order. An empty want says that none of the operators touches the case.
//
// With UPDATE=1 in the environment the wants are rewritten instead of
// compared; read the diff before you commit it.
package mutatetest

import (
	"bytes"
	"fmt"
	"os"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"github.com/rogpeppe/go-internal/txtar"

	"assay/mutate"
	"assay/mutate/syntax"
)

// T is what Run needs of *testing.T.
type T interface {
	Helper()
	Errorf(format string, args ...any)
	Fatalf(format string, args ...any)
}

// A Tally says what the cases of an archive showed.
type Tally struct {
	Hits  map[string]int // edits by operator ID
	Empty int            // cases that no operator touched, as wanted
}

// Run checks every case of an archive against the operators. Besides the want
// it checks that each edit lies within the file, changes it, leaves every byte
// outside its span alone, and gives text that still parses.
func Run(t T, path string, ops []*mutate.Operator) Tally {
	t.Helper()
	return RunRead(t, path, ops, syntax.Parse)
}

// RunRead is Run for texts that are to be read in another way than with Parse alone.
func RunRead(t T, path string, ops []*mutate.Operator, read func(name string, src []byte) (*syntax.File, error)) Tally {
	t.Helper()
	tally := Tally{Hits: map[string]int{}}
	archive, err := txtar.ParseFile(path)
	if err != nil {
		t.Fatalf("%v", err)
		return tally
	}
	cases, err := pairs(archive)
	if err != nil {
		t.Fatalf("%s: %v", path, err)
		return tally
	}
	update := os.Getenv("UPDATE") == "1"
	for _, c := range cases {
		got := c.run(t, path, ops, read, &tally)
		if got == "" && (update || len(c.want.Data) == 0) {
			tally.Empty++
		}
		switch {
		case update:
			c.want.Data = []byte(got)
		case got != string(c.want.Data):
			t.Errorf("%s: case %s:\ngot:\n%swant:\n%s(UPDATE=1 rewrites wants)", path, c.name, got, c.want.Data)
		}
	}
	if update {
		if err := os.WriteFile(path, txtar.Format(archive), 0o644); err != nil {
			t.Fatalf("%v", err)
		}
	}
	return tally
}

type testCase struct {
	name string
	in   []byte
	want *txtar.File
}

// pairs reads NAME/in.php and NAME/want, in that order and with nothing else.
func pairs(a *txtar.Archive) ([]testCase, error) {
	if len(a.Files)%2 != 0 {
		return nil, fmt.Errorf("%d sections do not make pairs of NAME/in.php and NAME/want", len(a.Files))
	}
	var out []testCase
	seen := map[string]bool{}
	for i := 0; i < len(a.Files); i += 2 {
		name, ok := strings.CutSuffix(a.Files[i].Name, "/in.php")
		if !ok {
			return nil, fmt.Errorf("section %s where NAME/in.php is expected", a.Files[i].Name)
		}
		if want := a.Files[i+1].Name; want != name+"/want" {
			return nil, fmt.Errorf("section %s where %s/want is expected", want, name)
		}
		if seen[name] {
			return nil, fmt.Errorf("case %s is there twice", name)
		}
		seen[name] = true
		out = append(out, testCase{name, a.Files[i].Data, &a.Files[i+1]})
	}
	return out, nil
}

// hit is one edit of one operator.
type hit struct {
	op   *mutate.Operator
	edit mutate.Edit
}

// run gives the text that the case's want should be.
func (c testCase) run(t T, path string, ops []*mutate.Operator, read func(string, []byte) (*syntax.File, error), tally *Tally) string {
	t.Helper()
	f, err := read(c.name, c.in)
	if err != nil {
		t.Errorf("%s: case %s: %v", path, c.name, err)
		return ""
	}
	var hits []hit
	for _, op := range ops {
		for _, se := range mutate.EditsOf(f, op) {
			hits = append(hits, hit{op, se.Edit})
		}
	}
	slices.SortStableFunc(hits, func(a, b hit) int {
		if a.edit.Start != b.edit.Start {
			return a.edit.Start - b.edit.Start
		}
		return strings.Compare(a.op.ID, b.op.ID)
	})
	var out strings.Builder
	made := map[string]string{} // mutated text -> operator
	for _, h := range hits {
		tally.Hits[h.op.ID]++
		if fault := faultOf(f, h.edit, read); fault != "" {
			t.Errorf("%s: case %s: %s: %s", path, c.name, h.op.ID, fault)
			continue
		}
		text := string(h.edit.Apply(f.Src))
		if first, ok := made[text]; ok {
			t.Errorf("%s: case %s: %s gives the same mutant as %s: %s", path, c.name, h.op.ID, first, line(f, h))
		}
		made[text] = h.op.ID
		out.WriteString(line(f, h))
	}
	return out.String()
}

func line(f *syntax.File, h hit) string {
	l, c := f.Position(h.edit.Start)
	before := string(f.Src[h.edit.Start:h.edit.End])
	return fmt.Sprintf("%d:%d %s: %s -> %s\n", l, c, h.op.ID, Show(before), Show(h.edit.New))
}

// Fault says what is wrong with an edit of a file, or "".
func Fault(f *syntax.File, e mutate.Edit) string { return faultOf(f, e, syntax.Parse) }

func faultOf(f *syntax.File, e mutate.Edit, read func(string, []byte) (*syntax.File, error)) string {
	if e.Start < 0 || e.End < e.Start || e.End > len(f.Src) {
		return fmt.Sprintf("edit of bytes %d to %d of a file of %d", e.Start, e.End, len(f.Src))
	}
	before := bytes.Clone(f.Src)
	out := e.Apply(f.Src)
	tail := len(f.Src) - e.End
	switch {
	case !bytes.Equal(before, f.Src):
		return "the edit wrote to the file's own bytes"
	case len(out) != e.Start+len(e.New)+tail,
		!bytes.Equal(out[:e.Start], f.Src[:e.Start]),
		!bytes.Equal(out[len(out)-tail:], f.Src[e.End:]):
		return "bytes outside the edit have changed"
	case bytes.Equal(out, f.Src):
		return "the edit changes nothing"
	}
	if len(f.Damage) > 0 {
		return ""
	}
	g, err := read(f.Path, out)
	if err != nil {
		return err.Error()
	}
	if len(g.Damage) > 0 {
		return fmt.Sprintf("the mutant does not parse: %s -> %s", Show(string(f.Src[e.Start:e.End])), Show(e.New))
	}
	return ""
}

// showMax is how long a text may be, in bytes, to be shown whole.
const showMax = 60

// Show gives a text in the form used in wants: as it is when it is short,
// plain and unmistakable, else quoted as in Go, with the middle of a long text
// left out: "first bytes"..."last bytes" (N bytes).
func Show(s string) string {
	if len(s) > showMax {
		const head, tail = 30, 15
		return fmt.Sprintf("%s...%s (%d bytes)", strconv.Quote(s[:head]), strconv.Quote(s[len(s)-tail:]), len(s))
	}
	plain := s != "" && utf8.ValidString(s) && strings.TrimSpace(s) == s &&
		!strings.Contains(s, " -> ") && s[0] != '"'
	for _, r := range s {
		plain = plain && strconv.IsPrint(r)
	}
	if plain {
		return s
	}
	return strconv.Quote(s)
}
