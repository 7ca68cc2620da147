//go:build linux

package exec

import (
	"errors"

	"assay/exec/sandbox"
	"assay/mutate/syntax"
)

// A Reader asks a PHP binary how it reads source texts. Nothing of a text is
// run. It may be used from several goroutines.
type Reader struct {
	lint *linter
	work *sandbox.WorkDir
}

// OpenReader starts PHP. Close ends it.
func OpenReader(php string) (*Reader, error) {
	work, err := sandbox.MakeWorkDir(false)
	if err != nil {
		return nil, noWorkDir(err)
	}
	r := &Reader{work: work}
	if err = writeHarness(work.Path); err == nil {
		r.lint, err = startLinter([]string{php, "-d", "opcache.enable_cli=0", "-d", "pcov.enabled=0"}, work.Path)
	}
	if err != nil {
		return nil, errors.Join(err, work.Remove())
	}
	return r, nil
}

// Tokens gives PHP's own tokens of a text; they cover all of it.
func (r *Reader) Tokens(text []byte) ([]syntax.Token, error) {
	rows, err := r.lint.tokens(text)
	if err != nil {
		return nil, err
	}
	out := make([]syntax.Token, len(rows))
	for i, row := range rows {
		name, ok1 := row[0].(string)
		at, ok2 := row[1].(float64)
		n, ok3 := row[2].(float64)
		if !ok1 || !ok2 || !ok3 {
			return nil, errors.New("php's syntax helper gave a token of another form")
		}
		out[i] = syntax.Token{Kind: name, Span: syntax.Span{Start: int(at), End: int(at + n)}}
	}
	return out, nil
}

// Close ends PHP.
func (r *Reader) Close() error {
	r.lint.close()
	return r.work.Remove()
}
