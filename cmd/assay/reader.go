package main

import (
	"sync"

	"assay/exec"
	"assay/mutate/syntax"
)

// A reader parses files, and asks PHP for its tokens where they help. PHP is
// started when the first file needs it.
type reader struct {
	php  string // path or name of the binary
	once sync.Once
	exec *exec.Reader // nil where PHP cannot be had
}

// read parses one file. Without PHP more of a file that is hard to read is
// left alone, and never less.
func (r *reader) read(path string, text []byte) (*syntax.File, error) {
	f, err := syntax.Parse(path, text)
	if err != nil || !f.NeedsTokens() {
		return f, err
	}
	r.once.Do(func() { r.exec, _ = exec.OpenReader(r.php) })
	if r.exec == nil {
		return f, nil
	}
	tokens, err := r.exec.Tokens(text)
	if err != nil {
		return nil, err
	}
	return syntax.ParseTokens(path, text, tokens)
}

func (r *reader) close() {
	if r.exec != nil {
		r.exec.Close()
	}
}
