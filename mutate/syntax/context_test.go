package syntax_test

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"

	"assay/mutate/syntax"
)

// looked is a context that ends when it is asked for the last time that is left.
type looked struct {
	context.Context
	left int
}

func (c *looked) Err() error {
	if c.left--; c.left < 0 {
		return context.Canceled
	}
	return nil
}

// TestParseHearsContext: whenever the context ends while a file is read, in any of the
// ways through it, reading ends with the context's error.
func TestParseHearsContext(t *testing.T) {
	var text strings.Builder
	text.WriteString("<?php\nenum Deck {\n")
	for i := range 70 {
		fmt.Fprintf(&text, "    const A%d = %d;\n    function f%d($a) { return -$a ** 2 + %d; }\n", i, i, i, i)
	}
	text.WriteString("}\n")
	src := []byte(text.String())
	r, err := tokenizer(t).Read(src)
	if err != nil {
		t.Fatal(err)
	}
	for name, read := range map[string]func(context.Context) (*syntax.File, error){
		"without tokens": func(ctx context.Context) (*syntax.File, error) { return syntax.ParseContext(ctx, "a.php", src) },
		"with tokens": func(ctx context.Context) (*syntax.File, error) {
			return syntax.ParseTokensContext(ctx, "a.php", src, r.Tokens)
		},
	} {
		const many = 1 << 30
		whole := &looked{t.Context(), many}
		f, err := read(whole)
		if err != nil {
			t.Fatal(err)
		}
		looks, nodes := many-whole.left, 0
		f.Root.Walk(func(*syntax.Node) bool { nodes++; return true })
		if looks < nodes/1024 {
			t.Errorf("%s: %d looks at the context for %d nodes", name, looks, nodes)
		}
		for left := range looks {
			if _, err := read(&looked{t.Context(), left}); !errors.Is(err, context.Canceled) {
				t.Errorf("%s: the context ends at look %d of %d: %v", name, left+1, looks, err)
			}
		}
	}
}

// TestWalkHearsContext: a walk through a whole file ends soon after its context does.
func TestWalkHearsContext(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	f, err := syntax.ParseContext(ctx, "a.php", []byte("<?php $a = ["+strings.Repeat("1, ", 5_000)+"];"))
	if err != nil {
		t.Fatal(err)
	}
	visited := 0
	f.Walk(func(*syntax.Node) bool {
		if visited++; visited == 3_000 {
			cancel()
		}
		return true
	})
	if visited < 3_000 || visited > 3_000+1_024 || f.Err() == nil {
		t.Errorf("%d nodes were visited, 3,000 of them before the context ended: %v", visited, f.Err())
	}
}

// TestSize: a text that is too long is an error that says so.
func TestSize(t *testing.T) {
	src := []byte("<?php $a = '" + strings.Repeat("x", 20<<20) + "';")
	if _, err := syntax.Parse("big.php", src); err == nil || err.Error() != "big.php: has 20 MB, and files of more than 4 MB are not read; exclude the file" {
		t.Errorf("got %v", err)
	}
	if _, err := syntax.ParseTokens("big.php", src, nil); err == nil {
		t.Error("with tokens it is read")
	}
}
