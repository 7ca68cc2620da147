package report

import (
	"bytes"
	"encoding/json"
	"strings"
	"testing"
	"testing/iotest"
)

// TestReadRefuses: a result that cannot be is refused with the place.
func TestReadRefuses(t *testing.T) {
	good := printed(t, Formats()[1], fixture(t), Options{Timings: true})
	if _, err := ReadJSON(bytes.NewReader(good)); err != nil {
		t.Fatal(err)
	}
	edit := func(f func(d map[string]any)) []byte {
		var d map[string]any
		if err := json.Unmarshal(good, &d); err != nil {
			t.Fatal(err)
		}
		f(d)
		text, err := json.Marshal(d)
		if err != nil {
			t.Fatal(err)
		}
		return text
	}
	at := func(d map[string]any, list string, n int) map[string]any { return d[list].([]any)[n].(map[string]any) }
	for _, row := range []struct {
		text []byte
		want string
	}{
		{append(bytes.Clone(good), "x"...), "something follows behind the result"},
		{append(bytes.Clone(good), good...), "something follows behind the result"},
		{good[:len(good)-3], "it ends too early"},
		{[]byte(""), "line 1, column 1: not a result file: it ends too early"},
		{[]byte("{\n  \"format\": ?"), "line 2, column 13: not a result file: invalid character '?'"},
		{[]byte("{\n  \"left_out\": \"x\"}"), "line 2, column 17: cannot be read as a result file"},
		{[]byte(`{"left_out": 1e400}`), "cannot be read as a result file"},
		{edit(func(d map[string]any) { d["mutants"] = append(d["mutants"].([]any), d["mutants"].([]any)[0]) }), "stands at 0, too"},
		{edit(func(d map[string]any) { d["files"] = append(d["files"].([]any), d["files"].([]any)[0]) }), "stands there twice"},
		{edit(func(d map[string]any) { d["tests"] = append(d["tests"].([]any), d["tests"].([]any)[0]) }), "stands at 0, too"},
		{edit(func(d map[string]any) { at(d, "mutants", 1)["line"] = -4 }), "mutants[1].line: -4 is negative"},
		{edit(func(d map[string]any) { at(d, "mutants", 1)["line"] = 0 }), "mutants[1]: mutant "},
		{edit(func(d map[string]any) { at(d, "mutants", 1)["end"] = 1 << 40 }), "is no span of"},
		{edit(func(d map[string]any) { at(d, "mutants", 1)["tests_run"] = 1_000_000_000 }), "1000000000 tests cannot have been run"},
		{edit(func(d map[string]any) { at(d, "mutants", 1)["tests_reaching"] = 99 }), "test set 99 is not in"},
		{edit(func(d map[string]any) { at(d, "mutants", 1)["status"] = "lost" }), "mutants[1]: mutant "},
		{edit(func(d map[string]any) { at(d, "mutants", 1)["time_ms"] = 1e30 }), "mutants[1].time_ms: 1e+30 cannot be"},
		{edit(func(d map[string]any) { at(d, "files", 0)["bytes"] = 1 << 50 }), "cannot have"},
		{edit(func(d map[string]any) { at(d, "files", 0)["path"] = "../../etc/passwd" }), `"../../etc/passwd" is no path within the project`},
		{edit(func(d map[string]any) { at(d, "files", 0)["path"] = "/etc/passwd" }), "is no path within the project"},
		{edit(func(d map[string]any) { at(d, "files", 0)["sha256"] = "?" }), "is no SHA-256 sum"},
		{edit(func(d map[string]any) { d["summary"].(map[string]any)["killed"] = 77 }), "summary: killed is 77"},
		{edit(func(d map[string]any) { at(d, "mutants", 0)["observed"] = "guessed" }), `what was observed, "guessed", is not known`},
		{edit(func(d map[string]any) { delete(at(d, "mutants", 0), "observed") }), `evaluated has to be there where observed is "never_differs", and nowhere else`},
		{edit(func(d map[string]any) { delete(at(d, "mutants", 0), "evaluated") }), `evaluated has to be there`},
		{edit(func(d map[string]any) { at(d, "mutants", 1)["observed"] = "not_observed" }), `observed is "not_observed", and it has not survived`},
		{edit(func(d map[string]any) { at(d, "mutants", 0)["evaluated"].(map[string]any)["times"] = -1 }), "mutants[0].evaluated.times: -1 is negative"},
		{edit(func(d map[string]any) {
			at(d, "mutants", 0)["evaluated"].(map[string]any)["values"] = []any{"1", "2", "3", "4"}
		}), "evaluated has 4 values"},
		{edit(func(d map[string]any) {
			at(d, "mutants", 0)["evaluated"].(map[string]any)["expression"] = strings.Repeat("x", 500)
		}), "an expression of 500 bytes"},
		{edit(func(d map[string]any) { at(d, "mutants", 1)["proof"] = at(d, "mutants", 0)["proof"] }), `it has a proof, and its status is "killed"`},
		{edit(func(d map[string]any) { at(d, "mutants", 0)["proof"].(map[string]any)["test"] = "" }), "its proof names no test"},
		{edit(func(d map[string]any) { at(d, "mutants", 0)["proof"].(map[string]any)["kills"] = []any{} }), "its proof kills nothing"},
		{edit(func(d map[string]any) { at(d, "mutants", 0)["proof"].(map[string]any)["tried"] = -1 }), "mutants[0].proof.tried: -1 is negative"},
		{edit(func(d map[string]any) { d["test_sets"] = append(d["test_sets"].([]any), []any{-1}) }), "is negative"},
	} {
		_, err := ReadJSON(bytes.NewReader(row.text))
		if err == nil || !strings.Contains(err.Error(), row.want) {
			t.Errorf("%v, want %q", err, row.want)
		}
	}
	if _, err := ReadJSON(iotest.ErrReader(iotest.ErrTimeout)); err == nil || !strings.Contains(err.Error(), "cannot be read: timeout") {
		t.Error(err)
	}
}
