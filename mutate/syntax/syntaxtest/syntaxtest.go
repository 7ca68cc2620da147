// Package syntaxtest lets tests ask the PHP of this machine how it reads a
// text. Only tests import it.
package syntaxtest

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"os"
	osexec "os/exec"
	"path/filepath"
	"runtime"
	"sync"

	"assay/mutate/syntax"
)

// A Reading is how PHP reads one text.
type Reading struct {
	Tokens []syntax.Token
	Error  string // PHP's complaint, "" when the text is valid
}

// A Tokenizer is a running PHP. It is safe for use by several goroutines.
type Tokenizer struct {
	mu   sync.Mutex
	proc *osexec.Cmd
	in   io.WriteCloser
	out  *bufio.Reader
	file string
}

// NewTokenizer starts PHP; dir is for a scratch file. An error means that
// there is no PHP, or that it does not start.
func NewTokenizer(dir string) (*Tokenizer, error) {
	_, self, _, _ := runtime.Caller(0)
	script := filepath.Join(filepath.Dir(self), "../../../testdata/oracle/tokens.php")
	t := &Tokenizer{proc: osexec.Command("php", "-n", "-d", "short_open_tag=0", "-d", "extension=tokenizer", script), file: filepath.Join(dir, "text.php")}
	var err error
	if t.in, err = t.proc.StdinPipe(); err != nil {
		return nil, err
	}
	out, err := t.proc.StdoutPipe()
	if err != nil {
		return nil, err
	}
	t.out = bufio.NewReaderSize(out, 1<<16)
	return t, t.proc.Start()
}

// Read asks PHP about a text.
func (t *Tokenizer) Read(src []byte) (Reading, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if err := os.WriteFile(t.file, src, 0o600); err != nil {
		return Reading{}, err
	}
	if _, err := fmt.Fprintln(t.in, t.file); err != nil {
		return Reading{}, err
	}
	line, err := t.out.ReadBytes('\n')
	if err != nil {
		return Reading{}, fmt.Errorf("php ended: %w", err)
	}
	var answer struct {
		Kinds []string
		Flat  []int
		Error *string
	}
	if err := json.Unmarshal(line, &answer); err != nil {
		return Reading{}, fmt.Errorf("php answered %.200q: %w", line, err)
	}
	r := Reading{}
	if answer.Error != nil {
		r.Error = *answer.Error
	}
	r.Tokens, err = syntax.Tokens(answer.Kinds, answer.Flat, len(src))
	return r, err
}

// Close ends PHP.
func (t *Tokenizer) Close() error {
	if err := t.in.Close(); err != nil {
		return err
	}
	return t.proc.Wait()
}
