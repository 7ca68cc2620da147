package operators

import (
	"encoding/json"
	"fmt"
	"os"
	osexec "os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/rogpeppe/go-internal/txtar"

	"assay/mutate"
	"assay/mutate/syntax"
)

// TestReadRegex shows tokens as KIND:text, a group's own with its depth.
func TestReadRegex(t *testing.T) {
	kinds := map[int]string{
		unknown: "?", anchor: "anchor", dot: "dot", shorthand: "short", class: "class",
		quantifier: "times", groupOpen: "open", groupClose: "close", bar: "bar",
	}
	for _, c := range []struct{ pattern, want string }{
		{`'/^a+$/'`, `anchor:^ a times:+ anchor:$`},
		{`'~\\\\d\d\\~'`, ``}, // the delimiter is escaped: no end
		{`'#[^]\]]{2,}?x*+#i'`, `class:[^]\]] times:{2,}? x times:*+`},
		{`"/\\bx\n{$y}+/u"`, "anchor:\\b x \n ?:\x00 times:+"},
		{`'{a{2}b}'`, `a times:{2} b`},
		{`'/(?<n>.)(?:b|c)(?<=d)/'`, `open:(?<n> dot:. close:) open:(?: b bar:| c close:) open:(?<= d close:)`},
		{`'/\Q(+\E+\p{L}\x{41}[[:alpha:]a]/'`, `\Q(+\E times:+ short:\p{L} \x{41} class:[[:alpha:]a]`},
		{"'/a # (+\n b/x'", "a   # (+\n   b"},
		{`'/{a}{,2}{1,2/'`, `{ a } { , 2 } { 1 , 2`},
		{`'/(?i)(?>a)(?1)(?#)+)/'`, ``}, // one ")" too many
		{`'a+'`, ``}, {`'/a+'`, ``}, {`'/(a/'`, ``}, {`'/[a/'`, ``}, {`''`, ``}, {`"$x/a/"`, ``},
	} {
		units := literalUnits([]byte(c.pattern))
		if units == nil {
			t.Errorf("%s is not read as a literal", c.pattern)
			continue
		}
		var got []string
		if r := readRegex(units); r != nil {
			for _, tok := range r.tokens {
				text := r.text(tok.from, tok.to)
				if k := kinds[tok.kind]; k != "" {
					text = k + ":" + text
				}
				got = append(got, text)
			}
		}
		if s := strings.Join(got, " "); s != c.want {
			t.Errorf("%s: tokens %q, want %q", c.pattern, s, c.want)
		}
	}
}

// A patternCase is a literal pattern and what the operators make of it.
type patternCase struct {
	Where   string   `json:"where"`
	Pattern []byte   `json:"pattern"` // base64 in JSON
	Groups  int      `json:"groups"`  // capturing groups as read here; -1 when not to be compared
	Mutants [][]byte `json:"mutants"`
	ids     []string
}

// TestPatternsCompile asks PCRE itself, through PHP, about the patterns of the
// family's cases and of the PHP sources that Debian installs: each mutant of a
// pattern that compiles must compile, and the number of capturing groups that
// is read here must be PCRE's.
func TestPatternsCompile(t *testing.T) {
	var cases []patternCase
	archive, err := txtar.ParseFile(filepath.Join(archives, "pattern.txtar"))
	if err != nil {
		t.Fatal(err)
	}
	for _, a := range archive.Files {
		if strings.HasSuffix(a.Name, "/in.php") {
			cases = append(cases, patternCases(t, a.Name, a.Data)...)
		}
	}
	for _, pattern := range []string{"PHPUnit/*/*.php", "PhpParser/*/*.php", "Composer/*/*.php", "Symfony/*/*/*/*.php"} {
		paths, _ := filepath.Glob("/usr/share/php/" + pattern)
		for _, path := range paths {
			if src, err := os.ReadFile(path); err == nil && strings.Contains(string(src), "preg_") {
				cases = append(cases, patternCases(t, path, src)...)
			}
		}
	}
	in, err := json.Marshal(cases)
	if err != nil {
		t.Fatal(err)
	}
	php := osexec.Command("php", "-n", "-r", pcreScript)
	php.Stdin = strings.NewReader(string(in))
	php.Stderr = os.Stderr
	out, err := php.Output()
	if err != nil {
		t.Fatalf("this test needs PHP: %v", err)
	}
	var faults []struct {
		Case, Mutant, Groups int
		Error                string
	}
	if err := json.Unmarshal(out, &faults); err != nil {
		t.Fatalf("%v in %q", err, out)
	}
	total := 0
	for _, c := range cases {
		total += len(c.Mutants)
	}
	for _, f := range faults {
		c := cases[f.Case]
		if f.Mutant < 0 {
			t.Errorf("%s: %s has %d capturing groups, read as %d", c.Where, c.Pattern, f.Groups, c.Groups)
		} else {
			t.Errorf("%s: %s: %s -> %s does not compile: %s", c.Where, c.ids[f.Mutant], c.Pattern, c.Mutants[f.Mutant], f.Error)
		}
	}
	t.Logf("%d patterns, %d mutants", len(cases), total)
	if total < 100 {
		t.Errorf("only %d mutants of patterns: this test has nothing to look at", total)
	}
}

// pcreScript counts groups by an empty alternative that always matches.
const pcreScript = `
$faults = [];
foreach (json_decode(stream_get_contents(STDIN), true) as $i => $c) {
	$pattern = base64_decode($c['pattern']);
	if (@preg_match($pattern, '') === false) continue;
	if ($c['groups'] >= 0) {
		$end = strtr(ltrim($pattern)[0], '([{<', ')]}>');
		$at = strrpos($pattern, $end);
		$probe = substr($pattern, 0, $at) . "\n|" . substr($pattern, $at);
		if (@preg_match($probe, '', $m, PREG_UNMATCHED_AS_NULL) === 1) {
			$n = count(array_filter(array_keys($m), 'is_int')) - 1;
			if ($n !== $c['groups']) $faults[] = ['case' => $i, 'mutant' => -1, 'groups' => $n, 'error' => ''];
		}
	}
	foreach ($c['mutants'] ?? [] as $k => $m) {
		if (@preg_match(base64_decode($m), '') === false) {
			$faults[] = ['case' => $i, 'mutant' => $k, 'groups' => 0, 'error' => preg_last_error_msg() . ' ' . (error_get_last()['message'] ?? '')];
		}
	}
}
echo json_encode($faults);
`

// patternCases reads the patterns of a file that are whole literals.
func patternCases(t *testing.T, name string, src []byte) []patternCase {
	t.Helper()
	f, err := syntax.Parse(name, src)
	if err != nil {
		t.Fatal(err)
	}
	var out []patternCase
	f.Root.Walk(func(n *syntax.Node) bool {
		if n.Bad || !n.Is("function_call_expression") {
			return true
		}
		for _, p := range patternsOf(f, n) {
			units := patternUnits(f, p)
			if units == nil || slices.ContainsFunc(units, func(u unit) bool { return u.opaque }) || !p.Is("string", "encapsed_string") {
				continue
			}
			line, _ := f.Position(p.Start)
			c := patternCase{Where: fmt.Sprintf("%s:%d", name, line), Pattern: plain(units), Groups: -1}
			if r := readRegex(units); r != nil {
				c.Groups = 0
				for _, g := range r.groups[1:] {
					if g.captures {
						c.Groups++
					}
					if g.strange {
						c.Groups = -1000
					}
				}
			}
			for _, op := range families()["pattern"] {
				for _, e := range op.Apply(f, n) {
					if p.Span.Contains(e.Span) {
						moved := mutate.Edit{Span: syntax.Span{Start: e.Start - p.Start, End: e.End - p.Start}, New: e.New}
						c.Mutants = append(c.Mutants, plain(literalUnits(moved.Apply(f.Src[p.Start:p.End]))))
						c.ids = append(c.ids, op.ID)
					}
				}
			}
			out = append(out, c)
		}
		return true
	})
	return out
}

func plain(units []unit) []byte {
	out := []byte{}
	for _, u := range units {
		out = append(out, u.b)
	}
	return out
}
