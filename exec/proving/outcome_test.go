package proving

import (
	"encoding/json"
	"fmt"
	"testing"

	"assay/mutate"
)

// pathText writes a look's path much as PHP has it.
func pathText(l mutate.Look) string {
	s := lookWords[l.Kind]
	for _, a := range l.Path {
		switch a.Kind {
		case mutate.AccessProperty:
			s += "->" + a.Name
		case mutate.AccessMethod:
			s += "->" + a.Name + "()"
		case mutate.AccessKey:
			s += "[" + Text(a.Key) + "]"
		case mutate.AccessClass:
			s += "::class"
		case mutate.AccessAll:
			s += "..."
		}
	}
	return fmt.Sprintf("%s: %s, not %s", s, l.Original.Text, l.Mutant.Text)
}

// TestLooks: of two outcomes the plainest difference comes first.
func TestLooks(t *testing.T) {
	for _, c := range []struct{ original, mutant, want string }{
		{`{"result": 1}`, `{"result": 2}`, `result: 1, not 2`},
		{`{"result": "a"}`, `{"result": null}`, `result: 'a', not null`},
		{`{"result": {"f": "0.5"}}`, `{"result": {"f": "1"}}`, `result: 0.5, not 1.0`},
		{`{"result": {"a": [[0, 1], [1, 2]]}}`, `{"result": {"a": [[0, 1]]}}`, `result: [1, 2], not [1]`},
		{`{"result": {"c": ["Suit", "Hearts"]}}`, `{"result": {"c": ["Suit", "Spades"]}}`, `result: Suit::Hearts, not Suit::Spades`},
		{`{"result": 1, "receiver": {"O": "C", "m": [["n", 1]]}}`, `{"result": 1, "receiver": {"O": "C", "m": [["n", 2]]}}`, `receiver->n(): 1, not 2`},
		{`{"same": true, "receiver": {"O": "C", "p": [["n", 1]]}}`, `{"same": true, "receiver": {"O": "C", "p": [["n", 2]]}}`, `receiver->n: 1, not 2`},
		{`{"result": {"O": "C"}}`, `{"result": {"O": "D"}}`, `result::class: C, not object of D`},
		{`{"result": {"O": "C", "i": {"a": [[0, 1]]}}}`, `{"result": {"O": "C", "i": {"a": [[0, 2]]}}}`, `result...: [1], not [2]`},
		{`{"result": {"A": [["k", {"O": "C", "m": [["n", 1]]}]], "n": 1}}`, `{"result": {"A": [["k", {"O": "C", "m": [["n", 2]]}]], "n": 1}}`, `result['k']->n(): 1, not 2`},
		{`{"thrown": {"T": ["E", "no", 0]}}`, `{"thrown": {"T": ["E", "yes", 0]}}`, `thrown: E: no, not E: yes`},
		{`{"thrown": {"T": ["E", "no", 0]}}`, `{"result": 1}`, `thrown: E: no, not 1`},
		{`{"result": 1}`, `{"thrown": {"T": ["E", "no", 0]}}`, `result: 1, not E: no`},
		{`{"result": null, "output": "a\n"}`, `{"result": null}`, `output: 'a\n', not ''`},
		{`{"result": null, "arguments": [[1, {"O": "C", "m": [["n", 1]]}]]}`, `{"result": null, "arguments": [[1, {"O": "C", "m": [["n", 2]]}]]}`, `argument->n(): 1, not 2`},
		{`{"result": {"x": "a resource"}}`, `{"result": {"x": "an object"}}`, ``},
		{`{"result": {"O": "C", "m": [["n", {"T": ["E", "", 0]}]]}}`, `{"result": {"O": "C", "m": [["n", 1]]}}`, ``},
		{`{"result": {"O": "C", "m": [["n", ""]]}}`, `{"result": {"O": "C", "m": [["n", {"T": ["TypeError", "", 0]}]]}}`, `result->n(): '', not TypeError`},
	} {
		looks := Looks(json.RawMessage(c.original), json.RawMessage(c.mutant))
		got := ""
		if len(looks) > 0 {
			got = pathText(looks[0])
		}
		if got != c.want {
			t.Errorf("%s and %s: %s, want %s", c.original, c.mutant, got, c.want)
		}
	}
}

// TestConfirm: a difference counts only where the original says the same twice, and where it
// is a value.
func TestConfirm(t *testing.T) {
	look := mutate.Look{Kind: mutate.LookResult}
	for _, c := range []struct {
		original, again, mutant string
		ok                      bool
	}{
		{`{"seen": 1}`, `{"seen": 1}`, `{"seen": 2}`, true},
		{`{"seen": 1}`, `{"seen": 3}`, `{"seen": 2}`, false},
		{`{"seen": 1}`, `{"seen": 1}`, `{"seen": 1}`, false},
		{`{"lost": "Error"}`, `{"lost": "Error"}`, `{"seen": 1}`, false},
		{`{"seen": 1}`, `{"seen": 1}`, `{"lost": "Error"}`, true},
		{`{"seen": {"O": "C"}}`, `{"seen": {"O": "C"}}`, `{"seen": 1}`, false},
		{`{"thrown": {"T": ["E", "no", 0]}}`, `{"thrown": {"T": ["E", "no", 0]}}`, `{"seen": 1}`, true},
	} {
		if _, ok := Confirm(look, json.RawMessage(c.original), json.RawMessage(c.again), json.RawMessage(c.mutant)); ok != c.ok {
			t.Errorf("%s, %s and %s: %v, want %v", c.original, c.again, c.mutant, ok, c.ok)
		}
	}
}

// TestValuesComeBack: what is written for the harness is read again as it was.
func TestValuesComeBack(t *testing.T) {
	for _, v := range []mutate.Value{null(), boolean(true), integer(-9223372036854775808), float(0.1), float(1e300), text("é"), text("\xff\x00"), text("\x00"),
		array(mutate.Item{Key: text("a"), Value: array()}, mutate.Item{Key: integer(7), Value: null()}), variable("x"),
		{Kind: mutate.ValueCase, Class: "A", Name: "B"}, {Kind: mutate.ValueNew, Class: "DateTime", Args: []mutate.Argument{{Value: text("2001-01-01")}}}} {
		b, err := json.Marshal(encoded(v))
		if err != nil {
			t.Fatal(err)
		}
		back, err := decoded(b)
		if err != nil || !same(v, back) || back.Kind != v.Kind {
			t.Errorf("%s is %s when it comes back: %v", Text(v), Text(back), err)
		}
	}
}
