//go:build linux

package exec

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"os"
	osexec "os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
)

// linter is a long-running PHP process that says whether a text is PHP and
// what its tokens are. It runs nothing of the text.
type linter struct {
	mu  sync.Mutex
	cmd *osexec.Cmd
	in  io.WriteCloser
	out *bufio.Reader
	php []string
}

func startLinter(php []string, harness string) (*linter, error) {
	argv := append(append([]string{}, php...), "-d", "memory_limit=-1", filepath.Join(harness, "lint.php"))
	cmd := osexec.Command(argv[0], argv[1:]...)
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true} // a terminal's signals are for us to act on
	in, err := cmd.StdinPipe()
	if err != nil {
		return nil, err
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		return nil, err
	}
	if err := cmd.Start(); err != nil {
		return nil, fmt.Errorf("%s cannot be started: %w", argv[0], err)
	}
	return &linter{cmd: cmd, in: in, out: bufio.NewReaderSize(out, 1<<16), php: php}, nil
}

func (l *linter) ask(kind byte, text []byte) (string, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if _, err := fmt.Fprintf(l.in, "%c%08x", kind, len(text)); err != nil {
		return "", fmt.Errorf("php's syntax helper has ended: %w", err)
	}
	if _, err := l.in.Write(text); err != nil {
		return "", fmt.Errorf("php's syntax helper has ended: %w", err)
	}
	line, err := l.out.ReadString('\n')
	if err != nil {
		return "", fmt.Errorf("php's syntax helper has ended: %w", err)
	}
	return strings.TrimSuffix(line, "\n"), nil
}

// parses reports whether PHP's parser accepts a text. What the compiler
// refuses later ("Cannot redeclare ...") is not seen; see compiles.
func (l *linter) parses(text []byte) (bool, error) {
	answer, err := l.ask('L', text)
	return answer == "ok", err
}

// rawToken is one of PHP's tokens: [name, offset, length], in bytes.
type rawToken [3]any

// in gives a token's name, its offset and its bytes in a text; ok is false where it is none of it.
func (t rawToken) in(text []byte) (name string, at int, own string, ok bool) {
	name, _ = t[0].(string)
	from, isAt := t[1].(float64)
	length, isLength := t[2].(float64)
	if at = int(from); !isAt || !isLength || at < 0 || length < 0 || at+int(length) > len(text) {
		return name, 0, "", false
	}
	return name, at, string(text[at : at+int(length)]), true
}

func (l *linter) tokens(text []byte) ([]rawToken, error) {
	answer, err := l.ask('T', text)
	if err != nil {
		return nil, err
	}
	var rows []rawToken
	if err := json.Unmarshal([]byte(answer), &rows); err != nil {
		return nil, fmt.Errorf("php's syntax helper answered %.80q: %w", answer, err)
	}
	return rows, nil
}

// compiles reports whether `php -l` accepts a text: parser and compiler.
func (l *linter) compiles(text []byte, dir string) (bool, error) {
	f, err := os.CreateTemp(dir, "lint-*.php")
	if err != nil {
		return false, err
	}
	defer os.Remove(f.Name())
	_, err = f.Write(text)
	if cerr := f.Close(); err == nil {
		err = cerr
	}
	if err != nil {
		return false, err
	}
	argv := append(append([]string{}, l.php...), "-l", f.Name())
	err = osexec.Command(argv[0], argv[1:]...).Run()
	if _, refused := err.(*osexec.ExitError); refused {
		return false, nil
	}
	return err == nil, err
}

func (l *linter) close() {
	l.in.Close()
	l.cmd.Wait()
}
