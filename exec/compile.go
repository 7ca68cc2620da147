//go:build linux

package exec

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	osexec "os/exec"
	"path/filepath"
	"syscall"
)

// compiler is a long-running PHP process that gives what PHP compiles a text to. It runs
// nothing of the text.
//
// What it gives is the file that opcache writes for a script and that PHP runs it from
// without looking at the text again (opcache.file_cache): opcodes, constants, types,
// attributes, doc comments, names of variables, lines, warnings of the compiler and all else
// that can make a difference when the script is run. So two texts with the same file do the
// same, where the optimiser is right; see opaque.go. The reverse does not hold: files may differ
// in bytes that have no meaning.
type compiler struct {
	cmd   *osexec.Cmd
	in    io.WriteCloser
	out   io.Reader
	stop  func() bool
	file  string // where the text has to lie
	cache string // opcache's folder
}

// A notComparable is why compiled code cannot be compared.
type notComparable string

func (e notComparable) Error() string { return string(e) }

// compilerSettings are what the compiler's PHP is started with besides. The optimiser has its
// own default passes; those that are not among them are not safe. All floats have texts of
// their own (17 digits, IEEE 754), so that no two fall together where one becomes a text while
// it is compiled. What an assertion says is compiled, whether or not assertions are looked at.
func compilerSettings(cache string) []string {
	settings := []string{
		"auto_prepend_file=", "auto_append_file=", "display_errors=0", "log_errors=0", "output_buffering=0", "output_handler=",
		"memory_limit=-1", "precision=17", "serialize_precision=-1", "zend.assertions=1", "pcov.enabled=0",
		"opcache.enable=1", "opcache.enable_cli=1", "opcache.file_cache=" + cache, "opcache.file_cache_only=1",
		"opcache.optimization_level=0x7FFEBFFF", "opcache.jit=disable", "opcache.jit_buffer_size=0", "opcache.preload=",
		"opcache.save_comments=1", "opcache.record_warnings=1", "opcache.validate_timestamps=0", "opcache.file_update_protection=0",
		"opcache.max_file_size=0", "opcache.blacklist_filename=", "opcache.restrict_api=", "opcache.dups_fix=0",
		"opcache.use_cwd=1", "opcache.opt_debug_level=0",
	}
	var argv []string
	for _, s := range settings {
		argv = append(argv, "-d", s)
	}
	return argv
}

// compilerEnvironment has the C library fill what PHP asks it for with a constant, before and
// after its use, so that bytes which PHP never sets are the same in all files (mallopt(3),
// M_PERTURB; glibc's manual, Memory Allocation Tunables). Where another C library is in use,
// fewer files are the same.
var compilerEnvironment = []string{"USE_ZEND_ALLOC=0", "MALLOC_PERTURB_=90", "GLIBC_TUNABLES=glibc.malloc.tcache_count=0", "XDEBUG_MODE=off"}

// startCompiler makes a compiler that works in a directory of its own; php is the binary with
// its settings. The error is a notComparable where there can be none with this PHP.
func startCompiler(ctx context.Context, php []string, harness, dir string) (*compiler, error) {
	c := &compiler{file: filepath.Join(dir, "text.php"), cache: filepath.Join(dir, "cache")}
	if err := os.MkdirAll(c.cache, 0o700); err != nil {
		return nil, err
	}
	argv := append(append([]string{}, php...), compilerSettings(c.cache)...)
	argv = append(argv, filepath.Join(harness, "compile.php"), c.file)
	c.cmd = osexec.Command(argv[0], argv[1:]...)
	c.cmd.Env = append(os.Environ(), compilerEnvironment...)
	c.cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true} // a terminal's signals are for us to act on
	var err error
	if c.in, err = c.cmd.StdinPipe(); err != nil {
		return nil, err
	}
	if c.out, err = c.cmd.StdoutPipe(); err != nil {
		return nil, err
	}
	if err := c.cmd.Start(); err != nil {
		return nil, err
	}
	c.stop = context.AfterFunc(ctx, func() { syscall.Kill(-c.cmd.Process.Pid, syscall.SIGKILL) })
	switch answer, err := c.answer(); {
	case err != nil:
		c.close()
		return nil, notComparable("PHP does not start with opcache's file cache")
	case answer == 'O':
		c.close()
		return nil, notComparable("PHP has no opcache")
	case answer == 'F':
		c.close()
		return nil, notComparable("PHP cannot fork")
	case answer != 'R':
		c.close()
		return nil, notComparable("PHP prints something before it runs a script")
	}
	return c, nil
}

func (c *compiler) answer() (byte, error) {
	var b [1]byte
	_, err := io.ReadFull(c.out, b[:])
	return b[0], err
}

// compile gives the compiled form of a text; nil where PHP does not compile it, or does not
// keep what it has compiled.
func (c *compiler) compile(text []byte) ([]byte, error) {
	if err := c.forget(); err != nil {
		return nil, err
	}
	if err := os.WriteFile(c.file, text, 0o600); err != nil {
		return nil, err
	}
	if _, err := c.in.Write([]byte("C")); err != nil {
		return nil, fmt.Errorf("php's compiling helper has ended: %w", err)
	}
	answer, err := c.answer()
	if err != nil {
		return nil, fmt.Errorf("php's compiling helper has ended: %w", err)
	}
	if answer != '.' {
		return nil, fmt.Errorf("php's compiling helper has answered %q", answer)
	}
	files, err := c.made()
	if err != nil || len(files) != 1 {
		return nil, err
	}
	return os.ReadFile(files[0])
}

// made lists the files that opcache has written for the text: below a folder with a name of
// its own, at the text's path.
func (c *compiler) made() (files []string, err error) {
	folders, err := os.ReadDir(c.cache)
	for _, f := range folders {
		path := filepath.Join(c.cache, f.Name(), c.file+".bin")
		if _, err := os.Lstat(path); err == nil {
			files = append(files, path)
		} else if !errors.Is(err, fs.ErrNotExist) {
			return nil, err
		}
	}
	return files, err
}

// forget removes what was written for the text before: PHP would take that for what the text
// compiles to.
func (c *compiler) forget() error {
	files, err := c.made()
	for _, path := range files {
		if err := os.Remove(path); err != nil {
			return err
		}
	}
	return err
}

func (c *compiler) close() {
	c.stop()
	c.in.Close()
	c.cmd.Wait()
}
