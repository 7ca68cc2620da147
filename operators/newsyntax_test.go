package operators_test

import (
	"cmp"
	"fmt"
	"os"
	osexec "os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/rogpeppe/go-internal/txtar"

	"assay/mutate"
	"assay/mutate/mutatetest"
	"assay/mutate/syntax"
	"assay/mutate/syntax/syntaxtest"
	"assay/operators"
)

const newSyntax = "../testdata/syntax/mutants.txtar"

// TestNewSyntax makes all mutants of texts that the grammar cannot read without masks,
// and of syntax that is newer than PHP 8.2.
func TestNewSyntax(t *testing.T) {
	php := tokenizer(t)
	tally := mutatetest.RunRead(t, newSyntax, operators.All(), func(name string, src []byte) (*syntax.File, error) {
		r, err := php.Read(src)
		if err != nil {
			return nil, err
		}
		f, err := syntax.ParseTokens(name, src, r.Tokens)
		if err == nil && len(f.Damage)+len(f.Doubts) > 0 {
			t.Errorf("case %s: %v %v is left alone", name, f.Damage, f.Doubts)
		}
		return f, err
	})
	if tally.Empty > 0 {
		t.Errorf("%d cases have no mutants", tally.Empty)
	}
}

// TestNewSyntaxIsRead asks the php-parser of the newest Debian suite about each of these
// mutants, as TestMutantsKeepTheirPlace does.
func TestNewSyntaxIsRead(t *testing.T) {
	ask := startOracle(t, "php", "mutants.php", "-d", "include_path="+syntaxtest.NewestParser(t))
	askCases(t, ask, "", nil)
}

// stillborn are mutants that PHP refuses when it compiles them, as it would in any
// other syntax.
var stillborn = map[string]bool{}

// TestNewSyntaxCompiles has PHP compile each of the mutants, where the text is for its
// version.
func TestNewSyntaxCompiles(t *testing.T) {
	flags := []string{"-d", "opcache.enable_cli=1", "-d", "opcache.max_file_size=1"}
	t.Run("own", func(t *testing.T) {
		askCases(t, startOracle(t, "php", "compile.php", flags...), versionOf(t, "php"), stillborn)
	})
	t.Run("later", func(t *testing.T) {
		later := syntaxtest.LaterPHP(t)
		askCases(t, startOracle(t, later, "compile.php", flags...), versionOf(t, later), stillborn)
	})
}

// versionOf gives the version of a PHP, as "8.2".
func versionOf(t *testing.T, php string) string {
	out, err := osexec.Command(php, "-n", "-r", "echo PHP_MAJOR_VERSION, '.', PHP_MINOR_VERSION;").Output()
	if err != nil {
		t.Fatalf("%s: %v", php, err)
	}
	return string(out)
}

// TestNewSyntaxSchemata is TestSchemataAreTheMutants with these texts and the newest
// php-parser.
func TestNewSyntaxSchemata(t *testing.T) {
	ask := startSchemataOracle(t, "-d", "include_path="+syntaxtest.NewestParser(t))
	arch, err := txtar.ParseFile(newSyntax)
	if err != nil {
		t.Fatal(err)
	}
	php, dir, asked := tokenizer(t), t.TempDir(), 0
	for _, file := range arch.Files {
		name, ok := strings.CutSuffix(file.Name, "/in.php")
		if !ok {
			continue
		}
		path := filepath.Join(dir, name+".php")
		if err := os.WriteFile(path, file.Data, 0o600); err != nil {
			t.Fatal(err)
		}
		points, ms := placedMutants(t, php, path)
		answers, list := ask(path, points, ms)
		if answers == nil {
			t.Errorf("%s: the schemata are refused", name)
		}
		for i, a := range answers {
			if a != "" {
				t.Errorf("%s: %s: %q -> %q: %s", name, list[i].ID, list[i].Before(), list[i].Edit.New, a)
			}
		}
		asked += len(answers)
	}
	if t.Logf("%d mutants", asked); asked < 100 {
		t.Errorf("only %d mutants were asked about", asked)
	}
}

// askCases asks about the mutants of each text that is for a version; "" is any.
func askCases(t *testing.T, ask func(string, []*mutate.Mutant) []string, version string, refused map[string]bool) {
	arch, err := txtar.ParseFile(newSyntax)
	if err != nil {
		t.Fatal(err)
	}
	since := map[string]string{}
	for line := range strings.Lines(string(arch.Comment)) {
		if text, ok := strings.CutPrefix(line, "since "); ok {
			from, texts, _ := strings.Cut(text, ":")
			for _, name := range strings.Fields(texts) {
				since[name] = from
			}
		}
	}
	php, dir, asked := tokenizer(t), t.TempDir(), 0
	for _, file := range arch.Files {
		name, ok := strings.CutSuffix(file.Name, "/in.php")
		if !ok || version != "" && cmp.Compare(since[name], version) > 0 {
			continue
		}
		path := filepath.Join(dir, name+".php")
		if err := os.WriteFile(path, file.Data, 0o600); err != nil {
			t.Fatal(err)
		}
		f, ms := mutantsOf(t, php, path)
		answers := ask(path, ms)
		if answers == nil {
			t.Errorf("%s is refused as it is", name)
		}
		for i, answer := range answers {
			what := fmt.Sprintf("%s:%d:%d %s: %s -> %s", name, ms[i].Line, ms[i].Column, ms[i].Op.ID, mutatetest.Show(ms[i].Before()), mutatetest.Show(ms[i].Edit.New))
			if answer != "" && !refused[what] {
				t.Errorf("%s in %.120q: %s", what, f.Line(ms[i].Line), answer)
			}
		}
		asked += len(answers)
	}
	if t.Logf("%d mutants", asked); asked < 100 {
		t.Errorf("only %d mutants were asked about", asked)
	}
}
