//go:build linux

package main

import (
	"cmp"
	"slices"
	"strings"
)

// near gives the candidates that word was probably meant to be, the nearest
// first, three at most.
func near(word string, candidates []string) []string {
	type guess struct {
		text     string
		distance int
	}
	var guesses []guess
	for _, c := range candidates {
		d := distance(strings.ToLower(word), strings.ToLower(c))
		if d <= max(2, len(word)/3) {
			guesses = append(guesses, guess{c, d})
		}
	}
	slices.SortStableFunc(guesses, func(a, b guess) int { return cmp.Compare(a.distance, b.distance) })
	var out []string
	for _, g := range guesses[:min(3, len(guesses))] {
		out = append(out, g.text)
	}
	return out
}

// meant is the end of a message about an unknown word: "; did you mean x or
// y?", or else when nothing is near.
func meant(word string, candidates []string, otherwise string) string {
	if guesses := near(word, candidates); len(guesses) > 0 {
		return "; did you mean " + strings.Join(guesses, " or ") + "?"
	}
	return otherwise
}

// distance is the number of bytes to put in, take out, change, or swap with
// their neighbour to make b of a (optimal string alignment).
func distance(a, b string) int {
	rows := [3][]int{make([]int, len(b)+1), make([]int, len(b)+1), make([]int, len(b)+1)}
	for j := range rows[0] {
		rows[0][j] = j
	}
	for i := 1; i <= len(a); i++ {
		row, up, up2 := rows[i%3], rows[(i+2)%3], rows[(i+1)%3]
		row[0] = i
		for j := 1; j <= len(b); j++ {
			change := 1
			if a[i-1] == b[j-1] {
				change = 0
			}
			row[j] = min(up[j]+1, row[j-1]+1, up[j-1]+change)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				row[j] = min(row[j], up2[j-2]+1)
			}
		}
	}
	return rows[len(a)%3][len(b)]
}
