package testcode

import (
	"strings"
	"testing"

	"assay/mutate"
)

// TestTitleOfArrays: of an array the element is named in which both sides differ.
func TestTitleOfArrays(t *testing.T) {
	text := func(s string) mutate.Value { return mutate.Value{Kind: mutate.ValueString, String: s} }
	number := func(n int64) mutate.Value { return mutate.Value{Kind: mutate.ValueInt, Int: n} }
	account := func(jars, paid int64) mutate.Outcome {
		return mutate.Outcome{Value: mutate.Value{Kind: mutate.ValueArray, Items: []mutate.Item{
			{Key: text("keeper"), Value: text("Marsh")}, {Key: text("jars"), Value: number(jars)}, {Key: text("paid"), Value: number(paid)}}}}
	}
	list := func(all ...int64) mutate.Outcome {
		v := mutate.Value{Kind: mutate.ValueArray}
		for i, n := range all {
			v.Items = append(v.Items, mutate.Item{Key: number(int64(i)), Value: number(n)})
		}
		return mutate.Outcome{Value: v}
	}
	for _, c := range []struct {
		original, mutant mutate.Outcome
		want             string
	}{
		{account(420, 7), account(421, 8), "statement gives jars 420"},
		{account(420, 7), account(420, 8), "statement gives paid 7"},
		{account(420, 7), list(1), "statement gives keeper Marsh"},
		{account(420, 7), mutate.Outcome{Value: number(1)}, "statement gives an array of 3"},
		{list(1, 2), list(2, 1), "statement gives an array of 2"},
	} {
		f := &mutate.Finding{Calls: []mutate.Call{{Kind: mutate.CallMethod, On: "settlement", Name: "statement"}}}
		got := strings.Join(title(f, mutate.Look{Kind: mutate.LookResult, Original: c.original, Mutant: c.mutant}), " ")
		if got != c.want {
			t.Errorf("%q, want %q", got, c.want)
		}
	}
}
