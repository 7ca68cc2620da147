package operators

import (
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/rogpeppe/go-internal/txtar"

	"assay/mutate"
	"assay/mutate/syntax"
)

// TestAdviceWhereValuesAreCompared: an operator says what to do for what may be observed of
// its mutants, and only where something may: in its example, or in a case of its family.
func TestAdviceWhereValuesAreCompared(t *testing.T) {
	cases := map[string][]string{}
	for _, op := range All() {
		family := op.Family()
		if cases[family] == nil {
			archive, err := txtar.ParseFile(filepath.Join(archives, family+".txtar"))
			if err != nil {
				t.Fatal(err)
			}
			for _, file := range archive.Files {
				if strings.HasSuffix(file.Name, "/in.php") {
					cases[family] = append(cases[family], string(file.Data))
				}
			}
		}
		texts := append([]string{"<?php " + op.Before}, cases[family]...)
		is := slices.ContainsFunc(texts, func(text string) bool {
			_, statements, _ := strings.Cut(text, "<?php")
			return isObserved(t, op, text) || isObserved(t, op, "<?php function f($a) { "+statements+" }")
		})
		if has := op.Input != ""; has != is {
			t.Errorf("%s: values of its mutants can be compared: %v; it says what to do then: %v", op.ID, is, has)
		}
	}
}

// isObserved reports whether values of some mutant of a text can be compared.
func isObserved(t *testing.T, op *mutate.Operator, text string) bool {
	f, err := syntax.Parse("", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	source := &mutate.Source{Path: "f.php", Text: f.Src}
	points := mutate.Layout(f, source, 1)
	var ms []mutate.Numbered
	for i, m := range mutate.Generate(f, source, []*mutate.Operator{op}, points) {
		ms = append(ms, mutate.Numbered{Mutant: m, Number: i + 1})
	}
	return len(points.Observe(ms).Sites) > 0
}

// TestHintsAreSentences: wherever a family's cases have a mutant of an operator with a hint,
// each text of it begins and ends as those of the operator do, and the node is found again.
func TestHintsAreSentences(t *testing.T) {
	given := map[string]int{}
	for family, ops := range families() {
		archive, err := txtar.ParseFile(filepath.Join(archives, family+".txtar"))
		if err != nil {
			t.Fatal(err)
		}
		for _, file := range archive.Files {
			if !strings.HasSuffix(file.Name, "/in.php") {
				continue
			}
			f, err := syntax.Parse(file.Name, file.Data)
			if err != nil {
				t.Fatal(err)
			}
			for _, op := range ops {
				for _, x := range mutate.EditsOf(f, op) {
					if n := mutate.NodeOf(f, op, x.Edit); n == nil || !slices.Contains(op.Apply(f, n), x.Edit) {
						t.Errorf("%s, %s: the node of an edit is not found again", file.Name, op.ID)
					}
					if op.Hint == nil {
						continue
					}
					h := op.Hint(f, x.Node, x.Edit)
					if h != (mutate.Hints{}) {
						given[op.ID]++
					}
					for begin, text := range map[string]string{"Add ": h.Input, "Assert ": h.Outcome, "No test ": h.Either} {
						if text != "" && !(strings.HasPrefix(text, begin) && strings.HasSuffix(text, ".")) {
							t.Errorf("%s, %s: %q", file.Name, op.ID, text)
						}
					}
				}
			}
		}
	}
	for _, c := range adviceCases {
		given[c.op]++
	}
	for _, op := range All() {
		if op.Hint != nil && given[op.ID] == 0 {
			t.Errorf("%s: no case gets a hint", op.ID)
		}
	}
}
