package operators_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"assay/mutate"
	"assay/mutate/syntax"
	"assay/operators"
)

// BenchmarkLongFunction makes the mutants of functions of 2,000 and of 20,000 statements
// and prints how many times as long the second takes: 10 where that is linear.
func BenchmarkLongFunction(b *testing.B) {
	var took [2]time.Duration
	for b.Loop() {
		for i, n := range []int{2_000, 20_000} {
			var text strings.Builder
			text.WriteString("<?php\nfunction long() {\n")
			for k := range n {
				fmt.Fprintf(&text, "    $v%d = %d + 1;\n", k, k)
			}
			text.WriteString("    return $v1;\n}\n")
			began := time.Now()
			f, err := syntax.Parse("src/long.php", []byte(text.String()))
			if err != nil {
				b.Fatal(err)
			}
			ms := mutate.Generate(f, &mutate.Source{Path: f.Path, Text: f.Src}, operators.All(), nil)
			took[i] += time.Since(began)
			if len(ms) < n {
				b.Fatalf("%d mutants of %d statements", len(ms), n)
			}
		}
	}
	b.ReportMetric(took[1].Seconds()/took[0].Seconds(), "times-as-long")
}
