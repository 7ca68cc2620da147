package report

import (
	"bytes"
	"encoding/json"
	"encoding/xml"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/owenrumney/go-sarif/v3/pkg/report/v210/sarif"
	"github.com/santhosh-tekuri/jsonschema/v6"

	"assay/mutate"
)

func formatOf(t testing.TB, name string) Format {
	t.Helper()
	f, err := Lookup(name)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// many gives a result with n survivors in one class, each with odd text.
func many(n int) *mutate.Result {
	r := &mutate.Result{Project: "sound/ferries"}
	line := "$b = \"``` | <b>@crew</b> &amp; 100 %\";\n"
	src := &mutate.Source{Path: "src/Odd, name: 1|2`.php", Text: []byte("<?php\n" + strings.Repeat(line, n))}
	for i := range n {
		m := &mutate.Mutant{ID: fmt.Sprintf("odd-%d", i), Op: fixtureOps[2], Source: src, Class: `Sound\Odd`, Function: fmt.Sprintf("f%d", i/7), Line: 2 + i, Column: 6}
		m.Edit.Start = 6 + i*len(line) + 5
		m.Edit.End = m.Edit.Start + len(line) - 7
		m.Edit.New = "''"
		r.Verdicts = append(r.Verdicts, mutate.Verdict{Mutant: m, Status: mutate.Survived, Ran: 1, Reaching: []mutate.TestID{`Sound\Odd_Name_Test::testIt`}})
	}
	return r
}

// oasisSchema is the schema of the standard as a module that this project did
// not write carries it: SARIF 2.1.0, errata 01, JSON Schema draft 4.
func oasisSchema(t *testing.T) *jsonschema.Schema {
	t.Helper()
	out, err := exec.Command("go", "list", "-f", "{{.Dir}}", "github.com/owenrumney/go-sarif/v3/pkg/report/v210/sarif").Output()
	if err != nil {
		t.Fatalf("the module with the schema: %v", err)
	}
	file, err := parser.ParseFile(token.NewFileSet(), filepath.Join(strings.TrimSpace(string(out)), "schema.go"), nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	var text string
	ast.Inspect(file, func(n ast.Node) bool {
		if v, ok := n.(*ast.ValueSpec); ok && v.Names[0].Name == "schema" {
			text, err = strconv.Unquote(v.Values[0].(*ast.BasicLit).Value)
		}
		return err == nil
	})
	if err != nil || !strings.Contains(text, sarifSchema) {
		t.Fatalf("the module's schema is not that of %s: %v", sarifSchema, err)
	}
	value, err := jsonschema.UnmarshalJSON(strings.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	if err := c.AddResource(sarifSchema, value); err != nil {
		t.Fatal(err)
	}
	schema, err := c.Compile(sarifSchema)
	if err != nil {
		t.Fatal(err)
	}
	return schema
}

func TestSARIFFitsTheStandardsSchema(t *testing.T) {
	schema := oasisSchema(t)
	for name, r := range map[string]*mutate.Result{"fixture": fixture(t), "odd": many(20), "known": known(t), "empty": {}} {
		text := printed(t, formatOf(t, "sarif"), r, Options{})
		value, err := jsonschema.UnmarshalJSON(bytes.NewReader(text))
		if err != nil {
			t.Fatal(err)
		}
		if err := schema.Validate(value); err != nil {
			t.Errorf("%s: %v", name, err)
		}
		// What the schema cannot say: indices lead to the rule that is named.
		log, err := sarif.FromBytes(text)
		if err != nil {
			t.Fatal(err)
		}
		for _, x := range log.Runs[0].Results {
			if rule := log.Runs[0].Tool.Driver.Rules[x.RuleIndex]; *rule.ID != *x.RuleID {
				t.Errorf("%s: rule %s has the index of %s", name, *x.RuleID, *rule.ID)
			}
		}
		if r.Verdicts != nil {
			value.(map[string]any)["runs"].([]any)[0].(map[string]any)["results"].([]any)[0].(map[string]any)["level"] = "loud"
			if schema.Validate(value) == nil {
				t.Errorf("%s: the schema accepts anything", name)
			}
		}
	}
}

func TestRegionsAreInCharacters(t *testing.T) {
	m := change(t, &mutate.Source{Path: "a.php", Text: []byte("<?php\n$ä = 'ö\nü' . 1;\n")}, 2, "", "", "x", "'ö\nü'", "''")
	if got, want := regionOf(m), (region{2, 6, 3, 3}); got != want {
		t.Errorf("got %v, want %v", got, want)
	}
}

func TestGitHubCommandsAreWhole(t *testing.T) {
	command := regexp.MustCompile(`^::(notice|warning) ((file=[^:,]+,line=\d+(,endLine=\d+)?,)?title=[^:,]+)::[^\r\n]+$`)
	for _, r := range []*mutate.Result{fixture(t), many(30), {}} {
		for _, line := range strings.Split(strings.TrimSuffix(string(printed(t, formatOf(t, "github"), r, Options{})), "\n"), "\n") {
			if !command.MatchString(line) {
				t.Errorf("not a command: %q", line)
			}
			if rest := regexp.MustCompile(`%(25|0A|0D|3A|2C)`).ReplaceAllString(line, ""); strings.Contains(rest, "%") {
				t.Errorf("a bare %%: %q", line)
			}
		}
	}
}

// The few marks that are shown are spread over the gaps.
func TestGitHubShowsEachGapBeforeASecondOfAny(t *testing.T) {
	lines := strings.Split(string(printed(t, formatOf(t, "github"), many(28), Options{})), "\n")
	for i, want := range []string{"odd-0", "odd-7", "odd-14", "odd-21", "odd-1"} {
		if !strings.HasSuffix(lines[1+i], "Mutant "+want) {
			t.Errorf("mark %d is %q, want %s", i, lines[1+i], want)
		}
	}
}

func TestGitLabFingerprintsAreUnique(t *testing.T) {
	for _, r := range []*mutate.Result{fixture(t), many(30)} {
		var got []codeQuality
		if err := json.Unmarshal(printed(t, formatOf(t, "gitlab"), r, Options{}), &got); err != nil {
			t.Fatal(err)
		}
		seen := map[string]bool{}
		for _, q := range got {
			if seen[q.Fingerprint] || q.Fingerprint == "" {
				t.Errorf("%s: its fingerprint is taken", q.Description)
			}
			seen[q.Fingerprint] = true
			if !strings.Contains(" info minor major critical blocker ", " "+q.Severity+" ") || q.Location.Lines.Begin < 1 || q.Location.Path == "" {
				t.Errorf("%+v", q)
			}
		}
		if len(got) == 0 {
			t.Error("nothing is reported")
		}
	}
}

func TestJUnitCountsWhatItHolds(t *testing.T) {
	for _, r := range []*mutate.Result{fixture(t), many(30)} {
		var got junitSuites
		if err := xml.Unmarshal(printed(t, formatOf(t, "junit"), r, Options{}), &got); err != nil {
			t.Fatal(err)
		}
		var all junitCounts
		for _, s := range got.Suites {
			var own junitCounts
			for _, c := range s.Cases {
				own.Tests++
				if c.Failure != nil {
					own.Failures++
				}
				if c.Error != nil {
					own.Errors++
				}
				if c.Skipped != nil {
					own.Skipped++
				}
			}
			if own != s.junitCounts {
				t.Errorf("%s: says %+v, holds %+v", s.Name, s.junitCounts, own)
			}
			all.Tests += own.Tests
			all.Failures += own.Failures
			all.Errors += own.Errors
			all.Skipped += own.Skipped
		}
		if all != got.junitCounts || all.Tests != len(r.Verdicts) {
			t.Errorf("says %+v, holds %+v", got.junitCounts, all)
		}
	}
}

func TestMarkdownFitsIntoAComment(t *testing.T) {
	text := string(printed(t, formatOf(t, "markdown"), many(2000), Options{}))
	if len(text) > 65_536 {
		t.Errorf("%d bytes", len(text))
	}
	shown := strings.Count(text, "<details>")
	if shown < 20 || !strings.Contains(text, fmt.Sprintf("%d of 2000 survivors are shown", shown)) {
		t.Errorf("%d are shown, which is not said", shown)
	}
}

// Text of the project cannot break out of its place.
func TestMarkdownIsNotObeyed(t *testing.T) {
	text := string(printed(t, formatOf(t, "markdown"), many(1), Options{}))
	if !strings.Contains(text, "\n````diff\n") || !strings.Contains(text, "\n````\n") {
		t.Errorf("the fence is no longer than what it holds:\n%s", text)
	}
	if !strings.Contains(text, `1 test of Odd\_Name\_Test runs this`) {
		t.Errorf("a test class's name is markup:\n%s", text)
	}
	for _, line := range strings.Split(text, "\n") {
		if strings.HasPrefix(line, "| 1 ") && strings.Count(strings.ReplaceAll(line, `\|`, ""), "|") != 4 {
			t.Errorf("a cell breaks its row: %s", line)
		}
	}
}
