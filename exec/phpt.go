package exec

import (
	"fmt"
	"path/filepath"
	"slices"

	"assay/mutate"
)

// noteOthers says which tests of the suite are not run: phpt files. Each is a
// program of its own with an expected output, and what only they check shows
// as survived or unreached.
func (x *explorer) noteOthers() {
	var files []string
	for _, file := range x.plain.facts.Others {
		if rel, err := filepath.Rel(x.plain.facts.Root, file); err == nil && filepath.IsLocal(rel) {
			file = filepath.ToSlash(rel)
		}
		files = append(files, file)
	}
	slices.Sort(files)
	files = slices.Compact(files)
	if len(files) == 0 {
		return
	}
	what := fmt.Sprintf("%d phpt files of the suite (%s and so on) are", len(files), files[0])
	if len(files) == 1 {
		what = fmt.Sprintf("A phpt file of the suite (%s) is", files[0])
	}
	x.s.Notes = append(x.s.Notes, mutate.Note{Kind: "phpt", Text: what +
		" not run. What no other test checks shows as survived or unreached."})
}
