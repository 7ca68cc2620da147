package report

import (
	"encoding/json"
	"io/fs"
	"os"
	osexec "os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"assay/mutate"
)

// tokensOfPHP prints, for each file that is named, the kind of each token of PHP's own, as far
// as kinds have a colour, and where it ends. What stands in a text that PHP evaluates is part of
// that text.
const tokensOfPHP = `
$all = [];
foreach (array_slice($argv, 1) as $file) {
	$out = [];
	$inside = null;
	foreach (PhpToken::tokenize(file_get_contents($file)) as $t) {
		$kind = match (true) {
			$inside !== null => 'text',
			$t->is([T_COMMENT, T_DOC_COMMENT, T_OPEN_TAG, T_OPEN_TAG_WITH_ECHO, T_CLOSE_TAG]) => 'comment',
			$t->is([T_CONSTANT_ENCAPSED_STRING, T_START_HEREDOC, '"', '` + "`" + `']) => 'text',
			$t->is([T_LNUMBER, T_DNUMBER]) => 'number',
			$t->is(T_VARIABLE) => 'variable',
			$t->is(T_STRING) => 'name',
			$t->is([T_INLINE_HTML, T_WHITESPACE, T_NAME_QUALIFIED, T_NAME_FULLY_QUALIFIED]) => 'none',
			preg_match('/^__[A-Z]+__$/D', $t->text) === 1 => 'name',
			preg_match('/^\w+$/D', $t->text) === 1 => 'word',
			default => '',
		};
		if ($inside !== null ? $t->is($inside) : $t->is(['"', '` + "`" + `', T_START_HEREDOC])) {
			$inside = $inside !== null ? null : ($t->is(T_START_HEREDOC) ? T_END_HEREDOC : $t->text);
		}
		$out[] = [$kind, $t->pos, $t->pos + strlen(rtrim($t->text)), $t->text];
	}
	$all[] = $out;
}
echo json_encode($all, JSON_INVALID_UTF8_SUBSTITUTE);
`

// TestColoursAreThoseOfPHP holds the colours against PHP's own tokens (PhpToken).
func TestColoursAreThoseOfPHP(t *testing.T) {
	if _, err := osexec.LookPath("php"); err != nil {
		if os.Getenv("CI") != "" {
			t.Fatal("php is missing, and CI may not skip")
		}
		t.Skip("needs php")
	}
	files := phpFiles(t, "../testdata", "../exec/harness")
	if len(files) < 100 {
		t.Fatalf("there are only %d files", len(files))
	}
	out, err := osexec.Command("php", append([]string{"-d", "short_open_tag=1", "-r", tokensOfPHP, "--"}, files...)...).Output()
	if err != nil {
		t.Fatal(err)
	}
	var all [][][4]any
	if err := json.Unmarshal(out, &all); err != nil {
		t.Fatal(err)
	}
	seen := map[string]int{}
	for i, file := range files {
		colours := coloursOf(t, file)
		for _, token := range all[i] {
			kind, from, to, text := token[0].(string), int(token[1].(float64)), int(token[2].(float64)), token[3].(string)
			if strings.TrimSpace(text) == "" {
				continue
			}
			seen[kind]++
			for _, at := range []int{from, to - 1} {
				if !slices.Contains(mayBe[kind], colours[at]) {
					t.Errorf("%s: %q at byte %d is %s, and has the colour %q", file, text, from, kind, colours[at])
					break
				}
			}
		}
	}
	for kind := range mayBe {
		if seen[kind] == 0 {
			t.Errorf("no file has a token of the kind %q", kind)
		}
	}
}

// mayBe has the colours that tokens of a kind may have. Types and constants of the language are
// names to PHP.
var mayBe = map[string][]string{"comment": {commentShade}, "text": {textShade}, "number": {numberShade}, "variable": {variableShade},
	"word": {wordShade}, "name": {"", wordShade, numberShade}, "none": {""}, "": {"", wordShade}}

// phpFiles lists the PHP files below some directories.
func phpFiles(t *testing.T, places ...string) []string {
	t.Helper()
	var files []string
	for _, place := range places {
		err := filepath.WalkDir(place, func(path string, d fs.DirEntry, err error) error {
			if err == nil && d.Type().IsRegular() && strings.HasSuffix(path, ".php") {
				files = append(files, path)
			}
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	return files
}

// coloursOf gives the colour of each byte of a file; line ends have none.
func coloursOf(t *testing.T, file string) []string {
	t.Helper()
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	shades := phpShades(&mutate.Source{Text: text})
	colours := make([]string, len(text))
	start := 0
	for i, line := range strings.SplitAfter(string(text), "\n") {
		from := 0
		for _, s := range shades[i] {
			for at := from; at < s.end; at++ {
				colours[start+at] = s.code
			}
			from = s.end
		}
		if from != len(strings.TrimSuffix(line, "\n")) {
			t.Errorf("%s:%d: the colours end at byte %d of %d", file, i+1, from, len(line))
		}
		start += len(line)
	}
	return colours
}

// FuzzColours demands that all bytes of any text have a colour, or none, and that it ends.
func FuzzColours(f *testing.F) {
	for _, text := range []string{"<?php \"{$a[\"b\"]}\" <<<'X'\n X;", "<?= 1.5e3 ?> <? #[A] # c", "<?php __halt_compiler(); $x", "<?php <<<A", "<?php \"{${"} {
		f.Add([]byte(text))
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		var got []byte
		l := phpLexer{src: text, emit: func(part []byte, _ string) { got = append(got, part...) }}
		if l.file(); string(got) != string(text) {
			t.Errorf("%q became %q", text, got)
		}
	})
}
