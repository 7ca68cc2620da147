//go:build linux

package main

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"assay/exec"
	"assay/mutate"
)

func TestShardValues(t *testing.T) {
	for text, want := range map[string]string{
		"3/8": "", "1/1": "", "1000/1000": "", "03/08": "",
		"3": `"3" is no part of a run; write it as 3/8, which is the third of eight`, "": `"" is no part`, "a/b": `"a/b" is no part`, "/": `"/" is no part`,
		"1/2/3": `"1/2/3" is no part`, "1.5/2": `is no part`, "0/8": "there is no part 0 of 8; they are 1/8 to 8/8", "9/8": "there is no part 9 of 8",
		"-1/8": "there is no part -1 of 8", "1/0": "a run has 1 to 1000 parts, and not 0", "1/100000": "a run has 1 to 1000 parts, and not 100000",
		"1/-3": "not -3", "1/99999999999999999999": "is no part",
	} {
		var s shard
		err := s.UnmarshalText([]byte(text))
		if (err == nil) != (want == "") || err != nil && !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want %q", text, err, want)
		}
		if err == nil && !s.given() {
			t.Errorf("%q is taken for a run in one piece", text)
		}
	}
}

// manyTasks gives tasks whose costs are as in practice: some code is passed by nearly all
// tests, most by few, some by none.
func manyTasks(r *rand.Rand, n int) []exec.Task {
	var tasks []exec.Task
	for i := range n {
		m := &mutate.Mutant{ID: fmt.Sprintf("m%d", i), Source: &mutate.Source{Path: fmt.Sprintf("src/F%d.php", r.IntN(9))}}
		m.Edit.Start = r.IntN(500)
		m.Edit.End = m.Edit.Start + r.IntN(5)
		t := exec.Task{Mutant: m}
		if most := []int{0, 3, 3, 30, 800}[r.IntN(5)]; most > 0 {
			t.Pairs, t.Same = make([]int, r.IntN(most)), r.IntN(most)
		}
		tasks = append(tasks, t)
	}
	return tasks
}

// Each mutant is in exactly one part, whatever the order in which the mutants come; the
// costs of two parts differ by no more than that of one mutant.
func TestDivide(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 0))
	for round := range 300 {
		tasks := manyTasks(r, r.IntN(200))
		parts := 1 + r.IntN(12)
		for _, byPlace := range []bool{false, true} {
			got := divide(tasks, parts, byPlace)
			if len(got) != len(tasks) {
				t.Fatalf("round %d: %d tasks, %d have a part", round, len(tasks), len(got))
			}
			of, costs, dearest := map[string]int{}, make([]int, parts), 0
			for i, part := range got {
				if part < 0 || part >= parts {
					t.Fatalf("round %d: part %d of %d", round, part, parts)
				}
				cost := 1
				if !byPlace {
					cost += costOf(tasks[i])
				}
				of[tasks[i].Mutant.ID] = part
				costs[part] += cost
				dearest = max(dearest, cost)
			}
			if most, least := slices.Max(costs), slices.Min(costs); most-least > dearest {
				t.Errorf("round %d: the parts cost %v, and the dearest mutant %d", round, costs, dearest)
			}
			mixed := slices.Clone(tasks)
			r.Shuffle(len(mixed), func(i, j int) { mixed[i], mixed[j] = mixed[j], mixed[i] })
			for i, part := range divide(mixed, parts, byPlace) {
				if id := mixed[i].Mutant.ID; of[id] != part {
					t.Fatalf("round %d: %s is in part %d, and in %d where the mutants come in another order", round, id, of[id], part)
				}
			}
		}
	}
}

// Divided by place, what the recording has seen makes no difference.
func TestDivideByPlace(t *testing.T) {
	r := rand.New(rand.NewPCG(8, 0))
	tasks := manyTasks(r, 120)
	want := divide(tasks, 7, true)
	for i := range tasks {
		tasks[i].Pairs, tasks[i].Same = make([]int, r.IntN(90)), r.IntN(5)
	}
	if got := divide(tasks, 7, true); !slices.Equal(got, want) {
		t.Errorf("%v, want %v", got, want)
	}
}
