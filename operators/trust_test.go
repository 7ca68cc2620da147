package operators_test

import (
	"bufio"
	"encoding/base64"
	"encoding/json"
	"io"
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
// (testdata/oracle/mutants.php says what that means). All fixtures are asked
// about, then files of /usr/share/php, or of PHP_CORPUS, in a seeded order
// until the time is up.
func TestMutantsKeepTheirPlace(t *testing.T) {
	limit, perFile := 15*time.Second, 15
	if os.Getenv("PHP_CORPUS") != "" {
		limit, perFile = 20*time.Minute, 200
	}
	start := time.Now()
	php, err := syntaxtest.NewTokenizer(t.TempDir())
	if err != nil {
		t.Fatalf("this test needs PHP: %v", err)
	}
	defer php.Close()
	ask := startMutants(t)
	fixtures, others := corpus(t)
	random := rand.New(rand.NewPCG(3, 4))
	files, asked, unparsed := 0, 0, map[string]int{}
	for i, path := range slices.Concat(fixtures, others) {
		if i >= len(fixtures) && time.Since(start) > limit {
			break
		}
		f, ms := mutantsOf(t, php, path)
		if len(ms) == 0 {
			continue
		}
		random.Shuffle(len(ms), func(i, j int) { ms[i], ms[j] = ms[j], ms[i] })
		ms = ms[:min(len(ms), perFile)]
		answers := ask(path, ms)
		if answers == nil {
			continue // newer than the independent reader
		}
		files++
		for k, m := range ms {
			asked++
			switch {
			case strings.HasPrefix(answers[k], "parse: "):
				unparsed[m.Op.ID]++
				t.Logf("%s:%d:%d: %s: %.60q -> %.60q: %s", path, m.Line, m.Column, m.Op.ID, m.Before(), m.Edit.New, answers[k])
			case answers[k] != "":
				t.Errorf("%s:%d:%d: %s: %.60q -> %.60q in %.120q: %s", path, m.Line, m.Column, m.Op.ID, m.Before(), m.Edit.New, f.Line(m.Line), answers[k])
			}
		}
	}
	lost := 0
	for _, n := range unparsed {
		lost += n
	}
	t.Logf("%d files, %d mutants, %d of them do not parse: %v", files, asked, lost, unparsed)
	if asked < 2000 {
		t.Errorf("only %d mutants were asked about", asked)
	}
	if lost*200 > asked {
		t.Errorf("%d of %d mutants do not parse, more than 0.5 %%", lost, asked)
	}
}

// mutantsOf gives the mutants of a file by all operators; none when PHP says
// that the file is not valid.
func mutantsOf(t *testing.T, php *syntaxtest.Tokenizer, path string) (*syntax.File, []*mutate.Mutant) {
	src, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	r, err := php.Read(src)
	if err != nil {
		t.Fatal(err)
	}
	if r.Error != "" {
		return nil, nil
	}
	f, err := syntax.ParseTokens(path, src, r.Tokens)
	if err != nil {
		t.Fatal(err)
	}
	return f, mutate.Generate(f, &mutate.Source{Path: path, Text: src}, operators.All(), nil)
}

// startMutants starts testdata/oracle/mutants.php. The function gives, for
// each mutant of a file, "" or what is wrong; nil when the file is not read.
func startMutants(t *testing.T) func(path string, ms []*mutate.Mutant) []string {
	c := osexec.Command("php", "-d", "short_open_tag=0", "../testdata/oracle/mutants.php")
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
	return func(path string, ms []*mutate.Mutant) []string { return askMutants(t, in, lines, path, ms) }
}

func askMutants(t *testing.T, in io.Writer, lines *bufio.Reader, path string, ms []*mutate.Mutant) []string {
	edits := make([][3]any, len(ms))
	for i, m := range ms {
		edits[i] = [3]any{m.Edit.Start, m.Edit.End, base64.StdEncoding.EncodeToString([]byte(m.Edit.New))}
	}
	question, err := json.Marshal(map[string]any{"path": path, "edits": edits})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := in.Write(append(question, '\n')); err != nil {
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
	if len(answers) != len(ms) {
		t.Fatalf("%s: %d answers to %d questions", path, len(answers), len(ms))
	}
	texts := make([]string, len(ms))
	for i, a := range answers {
		if a != nil {
			texts[i] = *a
		}
	}
	return texts
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
