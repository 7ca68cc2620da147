package syntax_test

import (
	"bytes"
	"fmt"
	"strings"
	"testing"

	"golang.org/x/sync/errgroup"

	"assay/mutate/syntax"
)

func parse(t *testing.T, src string) *syntax.File {
	t.Helper()
	f, err := syntax.Parse("t.php", []byte(src))
	if err != nil {
		t.Fatal(err)
	}
	checkTree(t, f, []byte(src))
	return f
}

// TestAnyBytes: texts that are no ordinary PHP give a tree, and what can be
// read in them is read.
func TestAnyBytes(t *testing.T) {
	sum := "binary_expression"
	for name, c := range map[string]struct {
		src  string
		sums int // additions that are not Bad
	}{
		"empty":           {"", 0},
		"no code":         {"<p>1 + 2</p>", 0},
		"BOM":             {"\xef\xbb\xbf<?php\n$a = 1 + 2;", 1},
		"CRLF":            {"<?php\r\n$a = 1 +\r\n 2;\r\n", 1},
		"lone CR":         {"<?php\r$a = 1 + 2;\r// 1 + 2\r$b = 3 + 4;", 2},
		"shebang":         {"#!/usr/bin/env php\n<?php $a = 1 + 2;", 1},
		"Latin-1 text":    {"<?php $a = '\xe4' . 'b'; // \xf6", 1},
		"UTF-8 names":     {"<?php $größe = $fähre + 1;", 1},
		"UTF-16":          {"\xff\xfe<\x00?\x00p\x00h\x00p\x00 \x001\x00+\x002\x00", 0},
		"PHP 5":           {"<?php class A { var $x = 1; function A() { return $this->x + 1; } } $o = &new A;", 1},
		"template":        {"<ul><?php foreach ($a as $b): ?><li><?= $b + 1 ?></li><?php endforeach ?></ul>", 1},
		"upper case":      {"<?PHP IF ($A) { RETURN 1 + 2; }", 1},
		"open at the end": {"<?php function f() { return 1 + 2; ", 0},
		"data behind":     {"<?php $a = 1 + 2; __halt_compiler(); $b = 3 + 4;", 1},
		"half a string":   {"<?php $a = 1 + 2;\n$b = 'x + y;\n", 1},
	} {
		f := parse(t, c.src)
		got := 0
		f.Root.Walk(func(n *syntax.Node) bool {
			if n.Kind == sum && !n.Bad {
				got++
			}
			return true
		})
		if got != c.sums {
			t.Errorf("%s: %d expressions, want %d\n%s", name, got, c.sums, f.Dump(f.Root))
		}
	}
}

// TestDepth: nesting that a program writes is read, more is an error that
// names the file, and neither takes the stack.
func TestDepth(t *testing.T) {
	nest := func(n int) []byte {
		return []byte("<?php $a = " + strings.Repeat("(", n) + "1" + strings.Repeat(")", n) + ";")
	}
	if f, err := syntax.Parse("deep.php", nest(5_000)); err != nil || len(f.Damage) > 0 {
		t.Errorf("5,000 levels: %v", err)
	}
	_, err := syntax.Parse("deep.php", nest(100_000))
	if want := fmt.Sprintf("deep.php: nests deeper than %d levels; exclude the file", syntax.MaxDepth); err == nil || err.Error() != want {
		t.Errorf("100,000 levels: got %v, want %s", err, want)
	}
}

// TestLines: positions count lines as PHP does, and columns in bytes.
func TestLines(t *testing.T) {
	f := parse(t, "<?php\r\n$ä = 1;\r$b = 2;\n\n$c = 3;")
	for offset, want := range map[int]string{0: "1:1", 7: "2:1", 10: "2:4", 16: "3:1", 25: "5:1", 32: "5:8", 99: "5:8", -1: "1:1"} {
		if line, col := f.Position(offset); fmt.Sprintf("%d:%d", line, col) != want {
			t.Errorf("offset %d is at %d:%d, want %s", offset, line, col, want)
		}
	}
	for n, want := range []string{"", "<?php", "$ä = 1;", "$b = 2;", "", "$c = 3;", ""} {
		if got := f.Line(n); got != want {
			t.Errorf("line %d is %q, want %q", n, got, want)
		}
	}
}

// TestParallel: many goroutines may parse, and read one tree, at once.
func TestParallel(t *testing.T) {
	src := bytes.Repeat([]byte("<?php function f($a) { return $a + 1; } ?>\n"), 50)
	shared, err := syntax.Parse("shared.php", src)
	if err != nil {
		t.Fatal(err)
	}
	want := shared.Dump(shared.Root)
	var g errgroup.Group
	for range 8 {
		g.Go(func() error {
			f, err := syntax.Parse("own.php", src)
			if err != nil {
				return err
			}
			if f.Dump(f.Root) != want || shared.Dump(shared.Root) != want {
				return fmt.Errorf("trees of the same text differ")
			}
			return nil
		})
	}
	if err := g.Wait(); err != nil {
		t.Error(err)
	}
}
