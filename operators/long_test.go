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

// long are texts of so many parts of one kind.
var long = map[string]func(parts int) string{
	"statements": func(n int) string {
		return "function f() {\n" + repeated(n, "    $v%d = %d + 1; g($v%d);\n") + "    return $v1;\n}\n"
	},
	"functions": func(n int) string { return repeated(n, "function f%d($a) { return strlen($a) > %d; }\n") },
	"table":     func(n int) string { return "class A { const T = [\n" + repeated(n, "    'k%d' => %d,\n") + "]; }\n" },
	"nested ifs": func(n int) string {
		return "function f($a) {\n" + repeated(n, "if ($a > %d) {\n") + "$a++;\n" + strings.Repeat("}", n) + "}\n"
	},
	"parentheses": func(n int) string {
		return "return " + strings.Repeat("(", n) + "$a + 1" + strings.Repeat(")", n) + ";\n"
	},
	"concatenated": func(n int) string { return "return $a" + strings.Repeat(" . $b", n) + ";\n" },
}

// repeated gives a text so many times, with the number of each time in it.
func repeated(n int, text string) string {
	var out strings.Builder
	for k := range n {
		out.WriteString(strings.ReplaceAll(text, "%d", fmt.Sprint(k)))
	}
	return out.String()
}

// made gives how many mutants a text has.
func made(t testing.TB, text string) int {
	f, err := syntax.Parse("src/long.php", []byte("<?php\n"+text))
	if err != nil {
		t.Fatal(err)
	}
	if len(f.Damage) > 0 {
		t.Fatalf("%s is left alone", f.Text(f.At(f.Damage[0].Start)))
	}
	src := &mutate.Source{Path: f.Path, Text: f.Src}
	return len(mutate.Generate(f, src, operators.All(), mutate.Layout(f, src, 1)))
}

// TestLong: what programs write is read, and has its mutants.
func TestLong(t *testing.T) {
	for what, n := range map[string]int{"statements": 2_000, "table": 2_000, "nested ifs": 5_000, "parentheses": 10_000} {
		if ms := made(t, long[what](n)); ms < n && what != "parentheses" || ms == 0 {
			t.Errorf("%d %s have %d mutants", n, what, ms)
		}
	}
}

// BenchmarkLong makes the mutants of texts of 500 and of 5,000 parts, and prints how many
// times as long the second takes: 10 where that is linear, 100 where it is quadratic, as it
// has to be where each part has a mutant that is as long as all of the others.
func BenchmarkLong(b *testing.B) {
	for what, text := range long {
		b.Run(what, func(b *testing.B) {
			var took [2]time.Duration
			for b.Loop() {
				for i, n := range []int{500, 5_000} {
					began := time.Now()
					made(b, text(n))
					took[i] += time.Since(began)
				}
			}
			b.ReportMetric(took[1].Seconds()/took[0].Seconds(), "times-as-long")
			b.ReportMetric(took[1].Seconds()/float64(b.N), "s-for-5000")
		})
	}
}
