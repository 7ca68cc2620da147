package main

import (
	"bufio"
	"bytes"
	osexec "os/exec"
	"slices"
	"strconv"
	"strings"

	"assay/mutate"
)

// lineRange is a range of 1-based lines, both ends in it.
type lineRange struct{ from, to int }

// gitChanges asks git which lines of the working tree differ from where the
// work began: the merge base with the remote's main branch, or the last commit
// where there is no remote. Paths are relative to root; a file that is not
// tracked has changed as a whole. Without git, or outside of a repository,
// nothing is known and the map is nil.
func gitChanges(root string) map[string][]lineRange {
	base := "HEAD"
	if out, err := git(root, "merge-base", "HEAD", "origin/HEAD"); err == nil {
		base = strings.TrimSpace(string(out))
	}
	diff, err := git(root, "-c", "core.quotePath=false", "diff", "--no-color", "--no-ext-diff", "--relative", "--unified=0",
		"--src-prefix=a/", "--dst-prefix=b/", base)
	if err != nil {
		return nil
	}
	changed := parseDiff(diff)
	if out, err := git(root, "ls-files", "-z", "--others", "--exclude-standard"); err == nil {
		for _, path := range strings.Split(string(out), "\x00") {
			if path != "" {
				changed[path] = []lineRange{{1, 1 << 30}}
			}
		}
	}
	return changed
}

func git(root string, args ...string) ([]byte, error) {
	return osexec.Command("git", append([]string{"-C", root}, args...)...).Output()
}

// parseDiff reads the new side of a unified diff without context.
func parseDiff(diff []byte) map[string][]lineRange {
	out := map[string][]lineRange{}
	path := ""
	lines := bufio.NewScanner(bytes.NewReader(diff))
	lines.Buffer(nil, 64<<20)
	for lines.Scan() {
		line := lines.Text()
		if name, ok := strings.CutPrefix(line, "+++ "); ok {
			if unquoted, err := strconv.Unquote(name); err == nil {
				name = unquoted
			}
			path = strings.TrimPrefix(strings.TrimSuffix(name, "\t"), "b/")
		}
		if !strings.HasPrefix(line, "@@ -") {
			continue
		}
		_, rest, _ := strings.Cut(line, " +")
		where, _, _ := strings.Cut(rest, " ")
		start, count, counted := strings.Cut(where, ",")
		from, err := strconv.Atoi(start)
		n := 1
		if counted && err == nil {
			n, err = strconv.Atoi(count)
		}
		if err == nil {
			// Where lines were only taken out, those around the gap count.
			out[path] = append(out[path], lineRange{from, from + max(n, 2) - 1})
		}
	}
	return out
}

// changedFirst orders mutants for a run that will not come to the end: those
// on changed lines, then the others, each spread. n is how many are changed.
func changedFirst(ms []*mutate.Mutant, changed map[string][]lineRange, seed uint64) (out []*mutate.Mutant, n int) {
	var first, rest []*mutate.Mutant
	for _, m := range ms {
		if onChangedLine(m, changed) {
			first = append(first, m)
		} else {
			rest = append(rest, m)
		}
	}
	return append(spread(first, seed), spread(rest, seed)...), len(first)
}

func onChangedLine(m *mutate.Mutant, changed map[string][]lineRange) bool {
	last := m.Line + strings.Count(m.Before(), "\n")
	return slices.ContainsFunc(changed[m.Source.Path], func(r lineRange) bool { return m.Line <= r.to && r.from <= last })
}
