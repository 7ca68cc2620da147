package operators

import (
	"strings"

	"assay/mutate"
	"assay/mutate/syntax"
)

// anchorHint says where a string has to go on for the anchor to matter. A blank beside a word
// is no other end of the word: it hides what \b is for.
func anchorHint(f *syntax.File, _ *syntax.Node, e mutate.Edit) mutate.Hints {
	is := ""
	switch strings.ReplaceAll(string(f.Src[e.Start:e.End]), `\\`, `\`) {
	case "^", `\A`:
		is = "a string that matches only from its middle on: what stands before is nothing that the pattern could match there"
	case "$", `\z`, `\Z`:
		is = "a string that goes on behind what matches, with something that the pattern could not match there"
	case `\b`:
		is = "a string in which a letter stands right beside what matches, as in 'xpier' for 'pier', without a blank between"
	case `\B`:
		is = "a string in which a blank, or nothing, stands beside what matches"
	default:
		return mutate.Hints{}
	}
	outcome, _, _ := strings.Cut(is, ":")
	return mutate.Hints{Input: "Add a case with " + is + ".", Outcome: "Assert the outcome for " + outcome + "."}
}

// modifiers has what a string must be like for a modifier to matter.
var modifiers = map[string]string{
	"i": "a string whose letters are in the other case",
	"m": "a string of several lines",
	"s": "a string that has a line break where the pattern has a dot",
	"D": "a string that matches and has a line break at its end",
	"U": "a string in which the match could end at two places",
	"u": "a string that has a character that is not ASCII where it matches",
	"A": "a string that has something before what matches",
}

// modifierHint tells of the one modifier that is dropped.
func modifierHint(f *syntax.File, _ *syntax.Node, e mutate.Edit) mutate.Hints {
	is := modifiers[string(f.Src[e.Start:e.End])]
	if is == "" {
		return mutate.Hints{}
	}
	return mutate.Hints{Input: "Add a case with " + is + ".", Outcome: "Assert the outcome for " + is + "."}
}
