//go:build linux

package main

import (
	"context"
	"fmt"
	"sync"

	"assay/exec"
	"assay/mutate/syntax"
)

// A reader parses files, and asks PHP for its tokens where the grammar may err.
// PHP is started when the first file needs it.
type reader struct {
	php   string // path or name of the binary
	once  sync.Once
	exec  *exec.Reader
	fault error // why there is none
}

// read parses one file. What the grammar alone reads wrongly it may read
// wrongly without a word, so a file that takes PHP to be sure of is an error
// where PHP cannot be asked.
func (r *reader) read(ctx context.Context, path string, text []byte) (*syntax.File, error) {
	f, err := syntax.ParseContext(ctx, path, text)
	if err != nil || !f.NeedsTokens() {
		return f, err
	}
	r.once.Do(func() { r.exec, r.fault = exec.OpenReader(r.php) })
	if r.exec == nil {
		return nil, fmt.Errorf("it takes PHP to read this file, and PHP cannot be asked: %w", r.fault)
	}
	tokens, err := r.exec.Tokens(text)
	if err != nil {
		return nil, err
	}
	return syntax.ParseTokensContext(ctx, path, text, tokens)
}

func (r *reader) close() {
	if r.exec != nil {
		r.exec.Close()
	}
}
