package operators_test

import (
	"bufio"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	osexec "os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"assay/mutate"
	"assay/mutate/syntax"
	"assay/mutate/syntax/syntaxtest"
	"assay/operators"
)

// TestMutantsKeepTheirPlace asks nikic/PHP-Parser (Debian's php-parser, 4.15),
// an independent reader, about the mutants of a corpus: each parses, and its
// tree differs from the original's in the place of the edit and nowhere else
// (testdata/oracle/mutants.php says what that means).
func TestMutantsKeepTheirPlace(t *testing.T) {
	askCorpus(t, startOracle(t, "php", "mutants.php"), 15)
}

// TestMutantsCompile asks PHP's own compiler, as "php -l" does: at most one
// mutant in 200 is refused. (Kinds of code that PHP refuses only when it
// compiles, such as a "break" outside loops, are left to it; such mutants are
// stillborn.)
func TestMutantsCompile(t *testing.T) {
	askCorpus(t, startOracle(t, "php", "compile.php", "-d", "opcache.enable_cli=1", "-d", "opcache.max_file_size=1"), 15)
}

// askCorpus asks about perFile mutants of each fixture, and of files of
// /usr/share/php, or of PHP_CORPUS, in a seeded order until the time is up.
func askCorpus(t *testing.T, ask func(path string, ms []*mutate.Mutant) []string, perFile int) {
	limit := 10 * time.Second
	if os.Getenv("PHP_CORPUS") != "" {
		limit, perFile = 20*time.Minute, 200
	}
	start := time.Now()
	php := tokenizer(t)
	fixtures, others := corpus(t)
	random := rand.New(rand.NewPCG(3, 4))
	files, asked, lost, refused := 0, 0, 0, map[string]int{}
	for i, path := range slices.Concat(fixtures, others) {
		if i >= len(fixtures) && time.Since(start) > limit {
			break
		}
		f, ms := mutantsOf(t, php, path)
		random.Shuffle(len(ms), func(i, j int) { ms[i], ms[j] = ms[j], ms[i] })
		ms = ms[:min(len(ms), perFile)]
		answers := ask(path, ms)
		if answers == nil {
			continue // newer than the independent reader, or not valid as it is
		}
		files++
		asked += len(ms)
		for k, m := range ms {
			what := func() string {
				return fmt.Sprintf("%s:%d:%d: %s: %.60q -> %.60q in %.120q: %s", path, m.Line, m.Column, m.Op.ID, m.Before(), m.Edit.New, f.Line(m.Line), answers[k])
			}
			switch {
			case strings.HasPrefix(answers[k], "parse: "):
				refused[m.Op.ID]++
				lost++
				t.Log(what())
			case answers[k] != "":
				t.Error(what())
			}
		}
	}
	t.Logf("%d files, %d mutants, %d of them refused: %v", files, asked, lost, refused)
	if asked < 2000 {
		t.Errorf("only %d mutants were asked about", asked)
	}
	if lost*200 > asked {
		t.Errorf("%d of %d mutants are refused, more than 0.5 %%", lost, asked)
	}
}

func tokenizer(t *testing.T) *syntaxtest.Tokenizer {
	php, err := syntaxtest.NewTokenizer(t.TempDir())
	if err != nil {
		t.Fatalf("this test needs PHP: %v", err)
	}
	t.Cleanup(func() { php.Close() })
	return php
}

// mutantsOf gives a file's tree and its mutants by all operators.
func mutantsOf(t *testing.T, php *syntaxtest.Tokenizer, path string) (*syntax.File, []*mutate.Mutant) {
	f := treeOf(t, php, path)
	return f, mutate.Generate(f, &mutate.Source{Path: path, Text: f.Src}, operators.All(), nil)
}

func treeOf(t *testing.T, php *syntaxtest.Tokenizer, path string) *syntax.File {
	src, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	r, err := php.Read(src)
	if err != nil {
		t.Fatal(err)
	}
	f, err := syntax.ParseTokens(path, src, r.Tokens)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// startOracle starts a script of testdata/oracle. The function gives, for each
// mutant of a file, "" or what is wrong; nil when the file itself is refused.
func startOracle(t *testing.T, php, script string, flags ...string) func(path string, ms []*mutate.Mutant) []string {
	ask := startScript(t, php, script, flags...)
	return func(path string, ms []*mutate.Mutant) []string {
		edits := make([][3]any, len(ms))
		for i, m := range ms {
			edits[i] = [3]any{m.Edit.Start, m.Edit.End, base64.StdEncoding.EncodeToString([]byte(m.Edit.New))}
		}
		return ask(path, len(ms), map[string]any{"path": path, "edits": edits})
	}
}

// startScript starts a script of testdata/oracle, which answers each question
// about a file with a list of so many answers, "" for nothing wrong; nil when the
// file itself is refused.
func startScript(t *testing.T, php, script string, flags ...string) func(path string, answers int, question map[string]any) []string {
	c := osexec.Command(php, append(append([]string{"-d", "short_open_tag=0"}, flags...), "../testdata/oracle/"+script)...)
	c.Stderr = os.Stderr
	in, err := c.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := c.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Start(); err != nil {
		t.Fatalf("this test needs PHP: %v", err)
	}
	t.Cleanup(func() {
		in.Close()
		if err := c.Wait(); err != nil {
			t.Error(err)
		}
	})
	lines := bufio.NewReaderSize(out, 1<<20)
	return func(path string, n int, question map[string]any) []string {
		text, err := json.Marshal(question)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := in.Write(append(text, '\n')); err != nil {
			t.Fatal(err)
		}
		line, err := lines.ReadBytes('\n')
		if err != nil {
			t.Fatalf("php ended at %s: %v", path, err)
		}
		var answers []*string
		if err := json.Unmarshal(line, &answers); err != nil {
			return nil // {"error": ...}
		}
		if len(answers) != n {
			t.Fatalf("%s: %d answers to %d questions", path, len(answers), n)
		}
		texts := make([]string, n)
		for i, a := range answers {
			if a != nil {
				texts[i] = *a
			}
		}
		return texts
	}
}

// corpus lists the PHP files of testdata, and those of /usr/share/php or
// PHP_CORPUS in a seeded order.
func corpus(t testing.TB) (fixtures, others []string) {
	find := func(dir string) (out []string) {
		err := filepath.WalkDir(dir, func(path string, d os.DirEntry, err error) error {
			if err == nil && d.Type().IsRegular() && strings.HasSuffix(path, ".php") && !strings.Contains(path, "\n") {
				out = append(out, path)
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
		return out
	}
	dir := os.Getenv("PHP_CORPUS")
	if dir == "" {
		dir = "/usr/share/php"
	}
	others = find(dir)
	if len(others) == 0 {
		t.Fatalf("no PHP files below %s; Debian's php-parser and phpunit put some there, or set PHP_CORPUS", dir)
	}
	rand.New(rand.NewPCG(1, 2)).Shuffle(len(others), func(i, j int) { others[i], others[j] = others[j], others[i] })
	return find("../testdata"), others
}

// TestOraclesNotice: the two readers find fault where there is one.
func TestOraclesNotice(t *testing.T) {
	path := filepath.Join(t.TempDir(), "f.php")
	const text = `<?php $x = $a && $b && $c; while ($x) { break; }`
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	change := func(old, new string) *mutate.Mutant {
		at := strings.Index(text, old)
		return &mutate.Mutant{Edit: mutate.Edit{Span: syntax.Span{Start: at, End: at + len(old)}, New: new}}
	}
	ms := []*mutate.Mutant{change("&&", "||"), change("$a && $b", "($a || $b)"), change("&&", "& &"), change("while ($x)", "if ($x)")}
	tree := startOracle(t, "php", "mutants.php")(path, ms)
	compiled := startOracle(t, "php", "compile.php", "-d", "opcache.enable_cli=1", "-d", "opcache.max_file_size=1")(path, ms)
	for i, want := range []struct{ tree, compiled string }{{"place: ", ""}, {"", ""}, {"parse: ", "parse: "}, {"", "parse: "}} {
		if kind, _, _ := strings.Cut(tree[i]+" ", " "); kind != strings.TrimSpace(want.tree) {
			t.Errorf("mutant %d: PHP-Parser says %q, want %q", i, tree[i], want.tree)
		}
		if kind, _, _ := strings.Cut(compiled[i]+" ", " "); kind != strings.TrimSpace(want.compiled) {
			t.Errorf("mutant %d: the compiler says %q, want %q", i, compiled[i], want.compiled)
		}
	}
}
