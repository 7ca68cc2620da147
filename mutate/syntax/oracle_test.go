package syntax_test

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	osexec "os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"sort"
	"strings"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/txtar"

	"assay/mutate/syntax"
	"assay/mutate/syntax/syntaxtest"
)

// labels are the kinds of node that are compared with nikic/PHP-Parser's, under
// the names that testdata/oracle/spans.php gives its classes.
var labels = map[string]string{
	"assignment_expression": "assign =", "reference_assignment_expression": "assign =&", "augmented_assignment_expression": "assign op",
	"error_suppression_expression": "unary @", "cast_expression": "cast", "print_intrinsic": "print", "clone_expression": "clone",
	"include_expression": "include", "include_once_expression": "include", "require_expression": "include", "require_once_expression": "include",
	"throw_expression": "throw", "yield_expression": "yield", "object_creation_expression": "new",
	"function_call_expression": "call", "member_call_expression": "method call", "nullsafe_member_call_expression": "method call?",
	"scoped_call_expression": "static call", "subscript_expression": "subscript", "member_access_expression": "property",
	"nullsafe_member_access_expression": "property?", "scoped_property_access_expression": "static property",
	"class_constant_access_expression": "class constant", "array_creation_expression": "array", "list_literal": "array",
	"anonymous_function": "closure", "arrow_function": "fn", "match_expression": "match",
	"integer": "number", "float": "number", "string": "string", "encapsed_string": "string", "heredoc": "string", "nowdoc": "string",
	"boolean": "boolean", "null": "null", "match_conditional_expression": "arm", "match_default_expression": "arm",
	"argument": "argument", "simple_parameter": "parameter", "variadic_parameter": "parameter", "property_promotion_parameter": "parameter",
	"array_element_initializer": "item",
	"if_statement":              "if", "else_if_clause": "elseif", "else_clause": "else", "while_statement": "while", "do_statement": "do",
	"for_statement": "for", "foreach_statement": "foreach", "switch_statement": "switch", "case_statement": "case", "default_statement": "case",
	"return_statement": "return", "echo_statement": "echo", "break_statement": "break", "continue_statement": "continue",
	"try_statement": "try", "catch_clause": "catch", "finally_clause": "finally", "unset_statement": "unset", "expression_statement": "statement",
	"class_declaration": "class", "interface_declaration": "interface", "trait_declaration": "trait", "enum_declaration": "enum",
	"enum_case": "enum case", "method_declaration": "method", "function_definition": "function",
	"property_declaration": "properties", "const_declaration": "constants", "property_hook": "hook",
}

// label gives the name under which a node is compared, or "".
func label(f *syntax.File, n *syntax.Node) string {
	op := func() string {
		if c := n.Child("operator"); c != nil {
			return strings.ToLower(f.Text(c))
		}
		for _, c := range n.Children {
			if !c.Named {
				return strings.ToLower(f.Text(c))
			}
		}
		return ""
	}
	switch n.Kind {
	case "binary_expression":
		if op() == "<>" {
			return "binary !="
		}
		return "binary " + op()
	case "unary_op_expression":
		return "unary " + op()
	case "update_expression":
		if n.Children[0].Named {
			return "update x" + op()
		}
		return "update " + op() + "x"
	case "conditional_expression":
		if n.Child("body") == nil {
			return "elvis"
		}
		return "ternary"
	case "function_call_expression":
		switch name := strings.ToLower(f.Text(n.Child("function"))); name {
		case "isset", "empty", "eval", "exit":
			return name
		case "die":
			return "exit"
		}
	}
	return labels[n.Kind]
}

// spansOf gives the items that a node stands for: one or none, but for exit,
// which is a statement in the tree and an expression in a statement to PHP.
func spansOf(f *syntax.File, n *syntax.Node) []span {
	l := label(f, n)
	switch {
	case n.Bad || n.Len() == 0:
		return nil
	case n.Kind == "exit_statement":
		end := n.End
		if last := n.Children[len(n.Children)-1]; f.Text(last) == ";" {
			end = n.Children[len(n.Children)-2].End
		}
		if end-n.Start < len("die()") { // bare: see compareSpans
			return []span{{"statement", n.Start, n.End}}
		}
		return []span{{"exit", n.Start, end}, {"statement", n.Start, n.End}}
	case l == "",
		n.Kind == "class_constant_access_expression" && n.Parent.Is("use_instead_of_clause", "use_as_clause"),
		n.Kind == "array_element_initializer" && n.Parent.Is("yield_expression"):
		return nil
	case l == "argument":
		switch label(f, n.Parent.Parent) {
		case "isset", "empty", "exit", "eval":
			return nil
		}
	}
	return []span{{l, n.Start, n.End}}
}

// A span is one item that both readers are expected to see.
type span struct {
	label      string
	start, end int
}

// oracle is a running PHP script of testdata/oracle that answers a line with a
// line.
type oracle struct {
	proc *osexec.Cmd
	in   io.WriteCloser
	out  *bufio.Reader
}

func startOracle(t testing.TB, script string, flags ...string) *oracle {
	t.Helper()
	flags = append(flags, "-d", "short_open_tag=0", filepath.Join("../../testdata/oracle", script))
	o := &oracle{proc: osexec.Command("php", flags...)}
	o.proc.Stderr = os.Stderr
	var err error
	if o.in, err = o.proc.StdinPipe(); err != nil {
		t.Fatal(err)
	}
	out, err := o.proc.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	o.out = bufio.NewReaderSize(out, 1<<20)
	if err := o.proc.Start(); err != nil {
		t.Fatalf("these tests need PHP: %v", err)
	}
	t.Cleanup(func() {
		o.in.Close()
		if err := o.proc.Wait(); err != nil {
			t.Errorf("%s: %v", script, err)
		}
	})
	return o
}

func (o *oracle) ask(t testing.TB, line string, answer any) {
	t.Helper()
	if _, err := fmt.Fprintln(o.in, line); err != nil {
		t.Fatal(err)
	}
	got, err := o.out.ReadBytes('\n')
	if err != nil {
		t.Fatalf("php ended at %s: %v", line, err)
	}
	if err := json.Unmarshal(got, answer); err != nil {
		t.Fatalf("php answered %.200q: %v", got, err)
	}
}

// corpus lists PHP files: all fixtures of testdata, and a seeded order of what
// Debian's packages put below /usr/share/php, or of PHP_CORPUS instead.
func corpus(t testing.TB) (fixtures, others []string) {
	t.Helper()
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
	return find("../../testdata"), others
}

// TestSpansAgree compares every span with nikic/PHP-Parser's (Debian's
// php-parser, 4.15), an independent reader: same kind, same operator, same
// bytes. What is left out is listed in skip.
func TestSpansAgree(t *testing.T) {
	c := newComparison(t, false)
	fixtures, others := corpus(t)
	c.files(fixtures, 0)
	c.files(others, 12*time.Second)
	c.done()
}

// TestSpansAgreeWithNewest is TestSpansAgree with the php-parser of the newest Debian
// suite, which knows the syntax of PHP 8.5, and with all texts of testdata/syntax.
func TestSpansAgreeWithNewest(t *testing.T) {
	c := newComparison(t, true, "-d", "include_path="+syntaxtest.NewestParser(t))
	dir := t.TempDir()
	var texts []string
	archives, err := filepath.Glob("../../testdata/syntax/*.txtar")
	if err != nil || len(archives) == 0 {
		t.Fatalf("no archives: %v", err)
	}
	for _, path := range archives {
		arch, err := txtar.ParseFile(path)
		if err != nil {
			t.Fatal(err)
		}
		for _, file := range arch.Files {
			if name, ok := strings.CutSuffix(file.Name, "/in.php"); ok {
				text := filepath.Join(dir, filepath.Base(path)+"-"+name+".php")
				if err := os.WriteFile(text, unescape(file.Data), 0o600); err != nil {
					t.Fatal(err)
				}
				texts = append(texts, text)
			}
		}
	}
	c.files(texts, 0)
	for _, why := range c.refused {
		if strings.HasPrefix(why, "masks.txtar") { // in others there is what is no PHP
			t.Errorf("the newest parser does not read %s", why)
		}
	}
	_, others := corpus(t)
	c.files(others, 8*time.Second)
	c.done()
}

// leastCompared is how many items have to be compared, however long that takes.
const leastCompared = 50_000

// A comparison holds this reading of files against that of an independent reader.
type comparison struct {
	t              *testing.T
	newest         bool
	php            *syntaxtest.Tokenizer
	parser         *oracle
	read           int // files
	refused        []string
	items, skipped int
}

func newComparison(t *testing.T, newest bool, flags ...string) *comparison {
	return &comparison{t: t, newest: newest, php: tokenizer(t), parser: startOracle(t, "spans.php", flags...)}
}

// files compares files until the time is up and enough have been compared; 0 is no limit.
func (c *comparison) files(paths []string, limit time.Duration) {
	t, start := c.t, time.Now()
	if limit > 0 && os.Getenv("PHP_CORPUS") != "" {
		limit = 10 * time.Minute
	}
	for _, path := range paths {
		if limit > 0 && time.Since(start) > limit && c.items >= leastCompared || t.Failed() && os.Getenv("PHP_CORPUS") == "" {
			return
		}
		src, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		r, err := c.php.Read(src)
		if err != nil {
			t.Fatal(err)
		}
		var theirs struct {
			Items [][3]any
			Error string
		}
		c.parser.ask(t, path, &theirs)
		if r.Error != "" && !c.newest || theirs.Error != "" {
			c.refused = append(c.refused, filepath.Base(path)+": "+theirs.Error)
			continue // not PHP, or newer than the independent reader
		}
		f, err := syntax.ParseTokens(path, src, r.Tokens)
		if err != nil {
			t.Fatal(err)
		}
		n, s := compareSpans(t, f, theirs.Items, c.newest)
		c.read, c.items, c.skipped = c.read+1, c.items+n, c.skipped+s
	}
}

func (c *comparison) done() {
	c.t.Logf("%d files, %d items compared, %d left out", c.read, c.items, c.skipped)
	if c.items < leastCompared {
		c.t.Errorf("only %d items were compared", c.items)
	}
}

func compareSpans(t *testing.T, f *syntax.File, theirs [][3]any, newest bool) (compared, skipped int) {
	count := map[span]int{}
	hidden := hiddenSpans(f, newest)
	skip := func(s span) bool {
		return slices.ContainsFunc(hidden, func(h span) bool {
			return h.start <= s.start && s.end <= h.end && (h.label == "" || strings.HasPrefix(s.label, h.label))
		})
	}
	f.Root.Walk(func(n *syntax.Node) bool {
		for _, s := range spansOf(f, n) {
			if skip(s) {
				skipped++
			} else {
				count[s]++
				compared++
			}
		}
		return true
	})
	for _, item := range theirs {
		s := span{item[0].(string), int(item[1].(float64)), int(item[2].(float64))}
		// To PHP-Parser a statement includes the "?>" that ends it, and
		// "<?=" is an echo.
		if text := strings.TrimSuffix(string(f.Src[s.start:s.end]), "\n"); strings.HasSuffix(text, "?>") {
			s.end = s.start + len(strings.TrimRight(strings.TrimSuffix(text, "?>"), " \t\r\n"))
		}
		if s.label == "exit" && s.end-s.start < len("die()") {
			continue // a bare "exit" or "die" is a name in the tree
		}
		if s.label == "cast" && void.Match(f.Src[s.start:]) {
			continue // a part of the statement
		}
		if s.label == "echo" && bytes.HasPrefix(f.Src[s.start:], []byte("<?=")) {
			continue
		}
		if !skip(s) {
			count[s]--
		}
	}
	var odd []span
	for s, n := range count {
		if n > 0 || n < 0 && s.label != "item" { // theirs has items in list() and [...] = too
			odd = append(odd, s)
		}
	}
	sort.Slice(odd, func(i, j int) bool { return odd[i].start < odd[j].start })
	for _, s := range odd[:min(len(odd), 5)] {
		line, col := f.Position(s.start)
		who := "only ours"
		if count[s] < 0 {
			who = "only theirs"
		}
		t.Errorf("%s:%d:%d: %s %s: %.80q", f.Path, line, col, who, s.label, f.Src[s.start:s.end])
	}
	return compared, skipped
}

var void = regexp.MustCompile(`(?i)^\(\s*void\s*\)`)

// oddInText matches what the two read differently inside strings: "$a[-1]" is
// a negated number here and a negative one there, "$a?->b" no interpolation
// here, "${a[1]}" begins in another place.
var oddInText = regexp.MustCompile(`\[-|\?->|\$\{`)

// hiddenSpans lists regions in which the two are not compared: what the tree
// itself calls Bad (label "": every item in it), strings with oddities inside,
// and chains in which "." meets
// + - << >>, whose precedence changed in PHP 8 and is PHP 7's in PHP-Parser
// 4.15 (the binary expressions only).
func hiddenSpans(f *syntax.File, newest bool) []span {
	var out []span
	f.Root.Walk(func(n *syntax.Node) bool {
		if n.Bad {
			out = append(out, span{"", n.Start, n.End})
			return false
		}
		if n.Is("encapsed_string", "heredoc") && oddInText.MatchString(f.Text(n)) {
			out = append(out, span{"", n.Start, n.End})
			return false
		}
		if !newest && n.Kind == "binary_expression" && !n.Parent.Is("binary_expression") && mixes(f, n) {
			out = append(out, span{"binary ", n.Start, n.End})
		}
		return true
	})
	return out
}

func mixes(f *syntax.File, top *syntax.Node) bool {
	dot, other := false, false
	top.Walk(func(n *syntax.Node) bool {
		if n.Kind != "binary_expression" {
			return false
		}
		switch f.Text(n.Child("operator")) {
		case ".":
			dot = true
		case "+", "-", "<<", ">>":
			other = true
		}
		return true
	})
	return dot && other
}
