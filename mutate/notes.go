package mutate

import (
	"bytes"
	"fmt"
	"slices"

	"assay/mutate/syntax"
)

// NoteEntries gives the text of a file with a note at the entry of each function that
// says that a function of the file is run: the path becomes a key of the array
// \PHPUnit\AssayHarness\MutantSwitch::$files->used. Lines stay where they are. nil where the
// file could not be read whole, has data behind __halt_compiler or no functions.
func NoteEntries(f *syntax.File, path string) []byte {
	if f.HaltOffset() < len(f.Src) || len(f.Damage) > 0 {
		return nil
	}
	var at []int
	sound := true
	f.Walk(func(n *syntax.Node) bool {
		sound = sound && !n.Bad
		if n.Is("compound_statement") && isFunction(n.Parent) {
			at = append(at, n.Start+1)
		}
		return sound
	})
	if !sound || len(at) == 0 {
		return nil
	}
	slices.Sort(at)
	var out bytes.Buffer
	from := 0
	for _, offset := range at {
		out.Write(f.Src[from:offset])
		out.WriteString(entryNote(path))
		from = offset
	}
	out.Write(f.Src[from:])
	return out.Bytes()
}

// functionNote is the note that a function was entered: its point.
func functionNote(point int) string {
	return fmt.Sprintf(` \PHPUnit\AssayHarness\MutantSwitch::$files->used[%d]=1;`, point)
}

// entryNote is the note that a function of a file was entered.
func entryNote(path string) string {
	return ` \PHPUnit\AssayHarness\MutantSwitch::$files->used['` + quoted.Replace(path) + `']=1;`
}
