package report

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/santhosh-tekuri/jsonschema/v6"

	"assay/mutate"
)

const goldens = "../testdata/report"

// golden compares with a file; UPDATE=1 accepts what was printed.
func golden(t *testing.T, name string, got []byte) {
	t.Helper()
	path := filepath.Join(goldens, name)
	if os.Getenv("UPDATE") == "1" {
		if err := os.MkdirAll(goldens, 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, got, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatalf("%v; UPDATE=1 writes it", err)
	}
	if diff := cmp.Diff(string(want), string(got)); diff != "" {
		t.Errorf("%s differs (-want +got); UPDATE=1 accepts:\n%s", path, diff)
	}
}

func printed(t testing.TB, f Format, r *mutate.Result, o Options) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := f.Write(&b, r, o); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func TestFormatsMatchTheirGoldens(t *testing.T) {
	for _, f := range Formats() {
		t.Run(f.Name, func(t *testing.T) {
			golden(t, f.Name+".golden", printed(t, f, fixture(t), Options{}))
			golden(t, f.Name+"-timings.golden", printed(t, f, fixture(t), Options{Timings: true}))
		})
	}
}

func TestTextOnATerminal(t *testing.T) {
	o := Options{Color: true, Width: 60, Prefix: "sound/", EditorURL: "phpstorm://open?file=%f&line=%l&column=%c"}
	got := printed(t, Formats()[0], fixture(t), o)
	golden(t, "text-terminal.golden", got)

	// Only our own sequences may get through: SGR and OSC 8. The source holds
	// another one and must not.
	rest := regexp.MustCompile(`\x1b\[[0-9;]*m|\x1b\]8;;[^\x1b]*\x1b\\`).ReplaceAll(got, nil)
	if i := bytes.IndexByte(rest, 0x1b); i >= 0 {
		t.Errorf("a control sequence of the source got through: %q", rest[i:min(i+40, len(rest))])
	}
	if !bytes.Contains(rest, []byte(`\x1B[31m`)) {
		t.Error("the source's control sequence is not shown escaped")
	}
}

func TestTextHasNoControlsByDefault(t *testing.T) {
	for _, c := range printed(t, Formats()[0], fixture(t), Options{}) {
		if c < ' ' && c != '\n' {
			t.Fatalf("byte %#x in a report without colour", c)
		}
	}
}

func TestOrderOfVerdictsDoesNotMatter(t *testing.T) {
	for _, f := range Formats() {
		a, b := fixture(t), fixture(t)
		slices.Reverse(b.Verdicts)
		if !bytes.Equal(printed(t, f, a, Options{}), printed(t, f, b, Options{})) {
			t.Errorf("%s: depends on the order in which verdicts came", f.Name)
		}
		if a.Verdicts[0].Mutant.ID != fixture(t).Verdicts[0].Mutant.ID {
			t.Errorf("%s: changed the result", f.Name)
		}
	}
}

func TestEmptyResult(t *testing.T) {
	for _, f := range Formats() {
		if len(printed(t, f, &mutate.Result{}, Options{})) == 0 {
			t.Errorf("%s: prints nothing for a run without mutants", f.Name)
		}
	}
	validate(t, printed(t, Formats()[1], &mutate.Result{}, Options{}))
}

func TestPercentHidesNoMutant(t *testing.T) {
	for want, p := range map[string]float64{"100.0 %": 100, "99.9 %": 99.999, "0.1 %": 0.001, "0.0 %": 0, "87.5 %": 87.5} {
		if got := percent(p, true); got != want {
			t.Errorf("percent(%v) = %q, want %q", p, got, want)
		}
	}
}

func TestWorstClassFirst(t *testing.T) {
	var got []string
	for _, c := range Classes(fixture(t)) {
		got = append(got, c.Title())
	}
	want := []string{"src/lamps.php", "Sound\\Ferry"}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
}

// validate checks against the JSON Schema, draft 2020-12, with a validator
// that this project did not write.
func validate(t *testing.T, text []byte) {
	t.Helper()
	schema, err := jsonschema.NewCompiler().Compile(filepath.Join(goldens, "result.schema.json"))
	if err != nil {
		t.Fatal(err)
	}
	value, err := jsonschema.UnmarshalJSON(bytes.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	if err := schema.Validate(value); err != nil {
		t.Errorf("%v", err)
	}
}

func TestJSONFitsItsSchema(t *testing.T) {
	validate(t, printed(t, Formats()[1], fixture(t), Options{}))
	validate(t, printed(t, Formats()[1], fixture(t), Options{Timings: true}))
}

// A schema that takes anything would make the test above worthless.
func TestSchemaRefuses(t *testing.T) {
	schema, err := jsonschema.NewCompiler().Compile(filepath.Join(goldens, "result.schema.json"))
	if err != nil {
		t.Fatal(err)
	}
	for name, spoil := range map[string]func(d map[string]any){
		"no summary":     func(d map[string]any) { delete(d, "summary") },
		"unknown field":  func(d map[string]any) { d["extra"] = 1 },
		"unknown status": func(d map[string]any) { first(d)["status"] = "eaten" },
		"no id":          func(d map[string]any) { delete(first(d), "id") },
		"killed by none": func(d map[string]any) { first(d)["status"] = "killed"; first(d)["how"] = nil },
		"line 0":         func(d map[string]any) { first(d)["line"] = 0 },
		"unknown word":   func(d map[string]any) { first(d)["observed"] = "guessed" },
		"no expression":  func(d map[string]any) { first(d)["evaluated"] = map[string]any{"times": 1, "values": []any{}} },
		"absolute path":  func(d map[string]any) { first(d)["file"] = "/src/a.php" },
	} {
		var d map[string]any
		if err := json.Unmarshal(printed(t, Formats()[1], fixture(t), Options{}), &d); err != nil {
			t.Fatal(err)
		}
		spoil(d)
		if schema.Validate(d) == nil {
			t.Errorf("%s: the schema accepts it", name)
		}
	}
}

func first(d map[string]any) map[string]any { return d["mutants"].([]any)[0].(map[string]any) }

func TestJSONRoundTrip(t *testing.T) {
	want := printed(t, Formats()[1], fixture(t), Options{Timings: true})
	d, err := ReadJSON(bytes.NewReader(want))
	if err != nil {
		t.Fatal(err)
	}
	files := map[string]string{"src/Ferry.php": ferry, "src/lamps.php": tide}
	r, err := d.Result(func(path string) ([]byte, error) { return []byte(files[path]), nil }, fixtureOps)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(want), string(printed(t, Formats()[1], r, Options{Timings: true}))); diff != "" {
		t.Error(diff)
	}
	files["src/lamps.php"] += "\n"
	_, err = d.Result(func(path string) ([]byte, error) { return []byte(files[path]), nil }, fixtureOps)
	if err == nil || err.Error() != "src/lamps.php is no longer the file that was judged" {
		t.Errorf("a changed file gives %v", err)
	}
}

// Lists of tests are long, and many mutants have the same: it is in the file once, and
// once in memory, where the verdicts have lists of their own as well.
func TestListsOfTestsAreKeptOnce(t *testing.T) {
	r := fixture(t)
	for i := range r.Verdicts {
		r.Verdicts[i].Reaching = []mutate.TestID{r.Tests[2].ID, r.Tests[0].ID}
	}
	r.Verdicts[0].Reaching = nil
	d, err := ReadJSON(bytes.NewReader(printed(t, Formats()[1], r, Options{})))
	if err != nil {
		t.Fatal(err)
	}
	if len(d.TestSets) != 2 {
		t.Fatalf("%d lists are kept, of 2: %v", len(d.TestSets), d.TestSets)
	}
	files := map[string]string{"src/Ferry.php": ferry, "src/lamps.php": tide}
	again, err := d.Result(func(path string) ([]byte, error) { return []byte(files[path]), nil }, fixtureOps)
	if err != nil {
		t.Fatal(err)
	}
	var list []mutate.TestID
	for _, v := range again.Verdicts {
		switch {
		case len(v.Reaching) == 0:
		case list == nil:
			list = v.Reaching
		case &list[0] != &v.Reaching[0]:
			t.Fatal("two mutants have lists of their own")
		}
	}
	if diff := cmp.Diff([]mutate.TestID{r.Tests[2].ID, r.Tests[0].ID}, list); diff != "" {
		t.Error(diff)
	}
}

func TestReadJSONRefuses(t *testing.T) {
	good := string(printed(t, Formats()[1], fixture(t), Options{}))
	for in, want := range map[string]string{
		"":                 "not a result file: it ends too early",
		"<xml/>":           "not a result file: invalid character '<'",
		`{"format": "x"}`:  `not a result file: its format is "x"`,
		good[:len(good)/2]: "not a result file: it ends too early",
		strings.Replace(good, `"schema_version": 3`, `"schema_version": 99`, 1): "has schema version 99; this assay reads version 3",
		strings.Replace(good, "\n[0", "\n[44", 1):                               "test 44 is not in the file's list of 4 tests",
		strings.Replace(good, `"tests_reaching":0`, `"tests_reaching":44`, 1):   "test set 44 is not in the file's list of",
		strings.Replace(good, `"left_out": 7`, `"left_out": "7"`, 1):            "cannot be read as a result file",
	} {
		if _, err := ReadJSON(strings.NewReader(in)); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%.40q: got %v, want %q", in, err, want)
		}
	}
}

// The tests that run a survivor are told by class: all classes as long as they
// are few, else those with the most tests.
func TestReachedByClass(t *testing.T) {
	tests := func(classes string) (out []mutate.TestID) {
		for i, c := range classes {
			out = append(out, mutate.TestID(fmt.Sprintf("Sound\\%cTest::test#%d", c, i)))
		}
		return out
	}
	for classes, want := range map[string]string{
		"":           "",
		"A":          "1 test of ATest runs this and passes.",
		"AA":         "2 tests of ATest run this and pass.",
		"ABB":        "3 tests run this and pass: 2 of BTest, 1 of ATest.",
		"ABCD":       "4 tests run this and pass: 1 of ATest, 1 of BTest, 1 of CTest, 1 of DTest.",
		"ABCCDEFFFF": "10 tests run this and pass: 4 of FTest, 2 of CTest, 1 of ATest, 3 of 3 more classes.",
	} {
		if got := reached(tests(classes)); got != want {
			t.Errorf("%s: %q, want %q", classes, got, want)
		}
	}
}
