package operators_test

import (
	"context"
	"strings"
	"testing"

	"assay/mutate"
	"assay/mutate/syntax"
	"assay/operators"
)

// TestGenerateHearsContext: when the context of a file ends while its mutants are made,
// no operator is asked again, and none of its mutants come out.
func TestGenerateHearsContext(t *testing.T) {
	src := []byte("<?php\nfunction f($a) {\n" + strings.Repeat("    $a = $a + 1;\n", 2_000) + "}\n")
	for _, last := range []int{1, 500, 2_000} {
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		f, err := syntax.ParseContext(ctx, "a.php", src)
		if err != nil {
			t.Fatal(err)
		}
		asked := 0
		var ops []*mutate.Operator
		for _, op := range operators.All() {
			watched := *op
			watched.Apply = func(f *syntax.File, n *syntax.Node) []mutate.Edit {
				if asked++; asked == last {
					cancel()
				}
				return op.Apply(f, n)
			}
			ops = append(ops, &watched)
		}
		source := &mutate.Source{Path: "a.php", Text: src}
		points := mutate.Layout(f, source, 1)
		if ms := mutate.Generate(f, source, ops, points); len(ms) > 0 || f.Err() == nil || asked != last {
			t.Errorf("the context ends at call %d: operators are called %d times, and %d mutants come out", last, asked, len(ms))
		}
	}
}
