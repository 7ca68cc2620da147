package wire

import (
	"bufio"
	"cmp"
	"encoding/json"
	"fmt"
	"net"
	"os"
	osexec "os/exec"
	"path/filepath"
	"strings"
	"testing"

	gocmp "github.com/google/go-cmp/cmp"
)

// fromPHP has the harness's own Channel write messages, each given as a PHP array, and
// reads them.
func fromPHP(t *testing.T, messages ...string) []Message {
	t.Helper()
	name := fmt.Sprintf("assay-wire-%d", os.Getpid())
	l, err := net.Listen("unix", "@"+name)
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	harness, err := filepath.Abs("../harness/Channel.php")
	if err != nil {
		t.Fatal(err)
	}
	code := "require '" + harness + "'; $c = new PHPUnit\\AssayHarness\\Channel('" + name + "', 'token');\n"
	for _, m := range messages {
		code += "$c->send(" + m + ");\n"
	}
	cmd := osexec.Command(cmp.Or(os.Getenv("ASSAY_PHP"), "php"), "-r", code)
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	c, err := l.Accept()
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	var got []Message
	lines := bufio.NewScanner(c)
	lines.Buffer(nil, 1<<20)
	for lines.Scan() {
		rest, ok := strings.CutPrefix(lines.Text(), "token ")
		if !ok {
			continue // the token itself, and the empty lines
		}
		m, err := Parse([]byte(rest))
		if err != nil {
			t.Fatalf("%s: %v", rest, err)
		}
		got = append(got, m)
	}
	if err := lines.Err(); err != nil {
		t.Fatal(err)
	}
	if len(got) != len(messages) {
		t.Fatalf("%d messages arrived, %d were sent", len(got), len(messages))
	}
	return got
}

// TestSuite reads what a process says of the suite that it has built. What PHP makes of
// arrays is PHP's own: an empty one is a list, wherever a map is meant.
func TestSuite(t *testing.T) {
	got := fromPHP(t,
		`['suite', ['/p/a.php', "/p/caf\xe9.php"],
			[['T::a', 'T', 'a', [], '/p/T.php', '', ''], ['T::b#0', 'T', 'b', ['T::a', 'U::class'], '/p/T.php', 'x', 'd1']],
			[['enter', -1, 'T'], ['test', 0, 'T'], ['test', 1, 'T'], ['leave', -1, 'T']],
			['error' => true, 'risky' => false], '9.6.7', (object) [1 => ['objects']], ['/p/a.phpt'],
			['T::b' => [7 => true], '*' => [1 => true, 2 => true]]]`,
		`['suite', [], [], [], [], '10.5', [], [], []]`,
		`['suite', [], [], [], [], '10.5', (object) [], [], (object) []]`,
	)
	want := []Suite{
		{Files: []string{"/p/a.php", "/p/caf\xe9.php"},
			Tests: []Row{{ID: "T::a", Class: "T", Method: "a", File: "/p/T.php"},
				{ID: "T::b#0", Class: "T", Method: "b", Depends: []string{"T::a", "U::class"}, File: "/p/T.php", Text: "x", Data: "d1"}},
			Segments: []SegmentRow{{"enter", -1, "T"}, {"test", 0, "T"}, {"test", 1, "T"}, {"leave", -1, "T"}},
			Fatal:    map[string]bool{"error": true, "risky": false}, Version: "9.6.7", Copied: map[int][]string{1: {"objects"}}, Others: []string{"/p/a.phpt"},
			Built: map[string]map[int]bool{"T::b": {7: true}, "*": {1: true, 2: true}}},
		{Version: "10.5"},
		{Version: "10.5", Copied: map[int][]string{}, Built: map[string]map[int]bool{}},
	}
	for i, m := range got {
		s, err := ReadSuite(m)
		if err != nil || m.Kind != "suite" {
			t.Fatalf("%s: %v", m.Kind, err)
		}
		if d := gocmp.Diff(want[i], s); d != "" {
			t.Errorf("suite %d, want (-) and got (+):\n%s", i, d)
		}
	}
}

// TestSegment reads what is recorded of a segment: maps that are objects, as the harness
// sends them, and lists, as PHP writes them where they are empty.
func TestSegment(t *testing.T) {
	got := fromPHP(t,
		`['segment', 3, 4, 1500, ['1,9', '2,1'], ['/p/a.php'], (object) ['static T::$x' => ['v', 's', 'k'], 'ini precision' => null],
			['src/A.php'], (object) ['static T::$f' => 'a generator'], ['/p/b.php', "/p/\xff.php"], 'abc', ['/p/c.php']]`,
		`['segment', -1, 1, 0, ['', ''], [], (object) [], [], (object) [], []]`,
		`['segment', 0, 1, 0, ['', ''], [], [], [], [], []]`,
	)
	want := []Segment{
		{N: 3, Next: 4, Time: 1500, Points: Counts{[]int{1, 9}, []int{2, 1}}, Files: []string{"/p/a.php"},
			Changes: Changes{"static T::$x": {Value: "v", Shape: "s", Kind: "k"}, "ini precision": {}}, Used: []string{"src/A.php"},
			Unknown: map[string]string{"static T::$f": "a generator"}, Foreign: []string{"/p/b.php", "/p/\xff.php"}, Held: "abc", Looked: []string{"/p/c.php"}},
		{N: -1, Next: 1, Changes: Changes{}, Unknown: map[string]string{}},
		{Next: 1},
	}
	for i, m := range got {
		s, err := ReadSegment(m)
		if err != nil {
			t.Fatal(err)
		}
		if d := gocmp.Diff(want[i], s); d != "" {
			t.Errorf("segment %d, want (-) and got (+):\n%s", i, d)
		}
	}
}

// TestStops reads what a process says where it waits, with what is in it.
func TestStops(t *testing.T) {
	got := fromPHP(t,
		`['at', 5, (object) ['global x' => ['1', 'int', '']]]`,
		`['at', 6, (object) [], 'abc']`,
		`['part', 2, ['global x' => null], (object) [3 => 'abc']]`,
		`['part', 3, (object) [], (object) []]`,
	)
	var n int
	var changes Changes
	var held string
	if err := got[0].Read(&n, &changes); err != nil || n != 5 || changes["global x"] != (Digest{"1", "int", ""}) {
		t.Errorf("%d %v, %v", n, changes, err)
	}
	changes = nil
	if err := got[1].Read(&n, &changes, &held); err != nil || n != 6 || len(changes) != 0 || held != "abc" {
		t.Errorf("%d %v %v, %v", n, changes, held, err)
	}
	var of map[int]string
	if err := got[2].Read(&n, &changes, &of); err != nil || n != 2 || of[3] != "abc" {
		t.Errorf("%d %v, %v", n, of, err)
	}
	if d, is := changes["global x"]; !is || d != (Digest{}) {
		t.Errorf("a root that is as declared again is read as %v, %v", d, is)
	}
	changes, of = nil, nil
	if err := got[3].Read(&n, &changes, &of); err != nil || n != 3 || len(changes)+len(of) != 0 {
		t.Errorf("%d %v %v, %v", n, changes, of, err)
	}
}

// TestEvent reads events, of which one names no test of the suite.
func TestEvent(t *testing.T) {
	got := fromPHP(t, `['event', 4, 'failure', true, "Error: \xff", 'T::a']`, `['event', -1, 'warning', false, '', 'T']`)
	for i, want := range []Event{{4, "failure", true, "Error: \uFFFD", "T::a"}, {-1, "warning", false, "", "T"}} {
		if e, err := ReadEvent(got[i]); err != nil || e != want {
			t.Errorf("%+v, %v; want %+v", e, err, want)
		}
	}
}

// TestSmallMessages reads those whose arguments are taken one by one. An argument that is
// not there, or of another kind, is the zero value.
func TestSmallMessages(t *testing.T) {
	for _, c := range []struct {
		php     string
		kind    string
		numbers []int
		texts   []string
	}{
		{`['hello', 17, 3]`, "hello", []int{17, 3, 0}, []string{"", "", ""}},
		{`['unfit', 'why']`, "unfit", []int{0}, []string{"why"}},
		{`['forked', 1, 99]`, "forked", []int{1, 99}, nil},
		{`['nofork', 1]`, "nofork", []int{1}, nil},
		{`['exited', 1, -1, 9, 250]`, "exited", []int{1, -1, 9, 250}, nil},
		{`['start', 2, 'T::a']`, "start", []int{2, 0}, []string{"", "T::a"}},
		{`['end', 2, 900, 3]`, "end", []int{2, 900, 3}, nil},
		{`['tail', 8]`, "tail", []int{8}, nil},
		{`['swap', 1]`, "swap", []int{1}, nil},
		{`['nocopy', 6]`, "nocopy", []int{6}, nil},
		{`['runaway', 44]`, "runaway", []int{44}, nil},
		{`['bottomless']`, "bottomless", []int{0}, nil},
		{`['last', 'Allowed memory size']`, "last", nil, []string{"Allowed memory size"}},
		{`['ended']`, "ended", nil, nil},
	} {
		m := fromPHP(t, c.php)[0]
		if m.Kind != c.kind {
			t.Errorf("%s: kind %q", c.php, m.Kind)
		}
		for i, want := range c.numbers {
			if got := m.Number(i); got != want {
				t.Errorf("%s: number %d is %d, want %d", c.php, i, got, want)
			}
		}
		for i, want := range c.texts {
			if got := m.Text(i); got != want {
				t.Errorf("%s: text %d is %q, want %q", c.php, i, got, want)
			}
		}
	}
}

// TestRan reads several tests that are told of at once, as Channel puts them together.
func TestRan(t *testing.T) {
	m := fromPHP(t, `['ran', [-2, 150, -5], 'T::d']`)[0]
	var list []int64
	var name string
	if err := m.Read(&list, &name); err != nil {
		t.Fatal(err)
	}
	if d := gocmp.Diff([]int64{-2, 150, -5}, list); d != "" || name != "T::d" {
		t.Errorf("%v %q", list, name)
	}
}

// TestBadLines: what is no message is an error, and one that names the message where it
// has a name.
func TestBadLines(t *testing.T) {
	for _, line := range []string{"", "{}", "[]", "[1]", `["at"`, "null"} {
		if m, err := Parse([]byte(line)); err == nil {
			t.Errorf("%q is read as %+v", line, m)
		}
	}
	m, err := Parse([]byte(`["segment","three"]`))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := ReadSegment(m); err == nil || !strings.Contains(err.Error(), `message "segment": argument 0`) {
		t.Errorf("error %v", err)
	}
	if m, err = Parse([]byte(`["at",1,{"r":["one"]}]`)); err != nil {
		t.Fatal(err)
	}
	var n int
	var changes Changes
	if err := m.Read(&n, &changes); err != nil || changes["r"] != (Digest{Value: "one"}) {
		t.Errorf("%v, %v", changes, err) // PHP always sends three
	}
}

// TestOrders holds what is sent to PHP against what the harness asks for: a job without
// "long" has none there, and an empty list of it is one.
func TestOrders(t *testing.T) {
	for _, c := range []struct {
		order any
		want  string
	}{
		{Order{Op: "go", Until: 4}, `{"op":"go","until":4}`},
		{Order{Op: "go", Next: 7}, `{"op":"go","next":7}`},
		{Order{Op: "fork", ID: 3, Token: "t", Job: &Job{Kind: Play, Next: 2}}, `{"op":"fork","id":3,"token":"t","job":{"kind":"play","next":2,"long":null}}`},
		{Order{Op: "fork", ID: 3, Token: "t", Job: &Job{Kind: Batch, Long: []int{}, Parts: [][3]int{{1, 2, 0}}, Lists: [][]int{{5, 4}}, Swap: true, All: true}},
			`{"op":"fork","id":3,"token":"t","job":{"kind":"batch","next":0,"long":[],"parts":[[1,2,0]],"lists":[[5,4]],"swap":true,"all":true}}`},
		{Job{Kind: Play, Place: 1, Mutant: 2, Limits: map[int]int64{3: 4}, Often: map[int]map[int]int64{0: {3: 9}}, Loops: map[int]int{5: 3}, Ender: true},
			`{"kind":"play","place":1,"mutant":2,"next":0,"long":null,"ender":true,"limits":{"3":4},"often":{"0":{"3":9}},"loops":{"5":3}}`},
		{Setup{Op: "setup", PHPUnit: "/p", Argv: []string{"p"}, Forks: true}, `{"op":"setup","phpunit":"/p","argv":["p"],"forks":true}`},
	} {
		if b, err := json.Marshal(c.order); err != nil || string(b) != c.want {
			t.Errorf("%s\nwant %s (%v)", b, c.want, err)
		}
	}
}

// TestSetup has the harness read a setup: paths are bytes, and JSON has none.
func TestSetup(t *testing.T) {
	setup := Setup{PHPUnit: "/caf\xe9/phpunit", Argv: []string{"/caf\xe9/phpunit", "--configuration", "/é/p.xml"}, Spool: "/tmp/\xff",
		Preload: [][2]string{{"PHPUnit\\Runner\\Version", "/caf\xe9/Version.php"}}}
	text, err := json.Marshal(Order{Op: "fork", Setup: &setup})
	if err != nil {
		t.Fatal(err)
	}
	harness, err := filepath.Abs("../harness/Channel.php")
	if err != nil {
		t.Fatal(err)
	}
	code := "require '" + harness + "'; $s = PHPUnit\\AssayHarness\\Channel::unpacked(json_decode($argv[1], true)['setup']);" +
		"echo implode('|', [$s['phpunit'], ...$s['argv'], $s['spool'], ...$s['preload'][0]]);"
	out, err := osexec.Command(cmp.Or(os.Getenv("ASSAY_PHP"), "php"), "-r", code, string(text)).Output()
	if err != nil {
		t.Fatal(err)
	}
	want := "/caf\xe9/phpunit|/caf\xe9/phpunit|--configuration|/é/p.xml|/tmp/\xff|PHPUnit\\Runner\\Version|/caf\xe9/Version.php"
	if got := string(out); got != want {
		t.Errorf("%q, want %q", got, want)
	}
}

// TestValues reads the values of sites, of which some are no UTF-8.
func TestValues(t *testing.T) {
	got := fromPHP(t, `['values', [4, 4, 9], ['true', "'caf\xe9", "'b\""]]`, `['values', [4], []]`, `['refused', [3, 8]]`)
	v, err := ReadValues(got[0])
	if err != nil {
		t.Fatal(err)
	}
	if d := gocmp.Diff(Values{[]int{4, 4, 9}, []string{"true", "'caf\xe9", `'b"`}}, v); d != "" {
		t.Error(d)
	}
	if v, err := ReadValues(got[1]); err == nil {
		t.Errorf("a site without a value is read: %v", v)
	}
	var refused []int
	if err := got[2].Read(&refused); err != nil || gocmp.Diff([]int{3, 8}, refused) != "" {
		t.Errorf("%v, %v", refused, err)
	}
}
