package exec

import (
	osexec "os/exec"
	"testing"

	"assay/mutate/syntax"
)

// PHP's tokens let syntax read what the grammar cannot: here a "clone with"
// of PHP 8.5, which damages its statement and no more.
func TestReaderHelpsTheParser(t *testing.T) {
	php, err := osexec.LookPath("php")
	if err != nil {
		t.Fatal("needs php")
	}
	r, err := OpenReader(php)
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := r.Close(); err != nil {
			t.Error(err)
		}
	}()
	src := []byte("<?php\nfunction f($a) {\n  $b = clone($a, ['x' => 1]);\n  return $b->x + 1;\n}\n")
	tokens, err := r.Tokens(src)
	if err != nil {
		t.Fatal(err)
	}
	at := 0
	for _, tok := range tokens {
		if tok.Start != at {
			t.Fatalf("a gap before byte %d", tok.Start)
		}
		at = tok.End
	}
	if at != len(src) {
		t.Fatalf("the tokens end at byte %d of %d", at, len(src))
	}
	f, err := syntax.ParseTokens("f.php", src, tokens)
	if err != nil {
		t.Fatal(err)
	}
	sums := 0
	f.Root.Walk(func(n *syntax.Node) bool {
		if n.Kind == "binary_expression" && !n.Bad {
			sums++
		}
		return true
	})
	if sums != 1 {
		t.Errorf("%d sums can be read, want 1; damage: %v", sums, f.Damage)
	}
}
