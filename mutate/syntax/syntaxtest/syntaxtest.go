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
	"testing"

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

// LaterPHP gives the PHP of a later Debian suite than this machine's, 8.4 at least, which
// ASSAY_PHP_LATER names. Without it a test is skipped, and fails where CI is set.
func LaterPHP(t testing.TB) string {
	t.Helper()
	return needed(t, "ASSAY_PHP_LATER", "a PHP of a later Debian suite")
}

// needed gives the file or directory that a variable of the environment names.
func needed(t testing.TB, variable, what string) string {
	path := os.Getenv(variable)
	switch _, err := os.Stat(path); {
	case path == "" && os.Getenv("CI") != "" && os.Getenv("ASSAY_CELLS_MAY_MISS") == "":
		t.Fatalf("%s has to name %s; .ci/run does that", variable, what)
	case path == "":
		t.Skipf("%s does not name %s", variable, what)
	case err != nil:
		t.Fatalf("%s: %v", variable, err)
	}
	return path
}

// NewestParser gives the directory with the PhpParser of the newest Debian suite, which
// ASSAY_PHP_PARSER names; .ci/run gets it. Without it a test is skipped, and fails
// where CI is set.
func NewestParser(t testing.TB) string {
	t.Helper()
	return needed(t, "ASSAY_PHP_PARSER", "the directory above PhpParser of Debian's newest php-parser")
}

// Close ends PHP.
func (t *Tokenizer) Close() error {
	if err := t.in.Close(); err != nil {
		return err
	}
	return t.proc.Wait()
}
