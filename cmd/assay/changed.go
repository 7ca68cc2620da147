//go:build linux

package main

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	osexec "os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"assay/mutate"
)

// lineRange is a range of 1-based lines, both ends in it. Lines are git's: they
// end with "\n" and nothing else.
type lineRange struct{ from, to int }

// changes are the lines of the working tree that differ from a commit, by the
// files' paths relative to the project's root.
type changes struct {
	ref   string // as the user wrote it
	base  string // the commit, in short
	lines map[string][]lineRange
}

// changedSince asks git what differs from the merge base of HEAD and ref:
// what was committed, what was not, and files that git does not track yet.
// A file that was moved counts where its text is another.
func changedSince(root, ref string) (*changes, error) {
	switch {
	case strings.HasPrefix(ref, "-"):
		return nil, usagef("--changed-from %s: no branch, tag or commit begins with a dash", ref)
	case !hasGit():
		return nil, usagef("--changed-from %s: git is not on PATH; install it, or leave the option out", ref)
	}
	if out, err := git(root, "rev-parse", "--is-inside-work-tree"); err != nil || strings.TrimSpace(string(out)) != "true" {
		return nil, usagef("--changed-from %s: %s is not in the work tree of a git repository%s", ref, root, said(err, "not a git repository"))
	}
	commit, err := git(root, "rev-parse", "--verify", "--quiet", ref+"^{commit}")
	if err != nil {
		return nil, usagef("--changed-from: git knows no commit %s%s", ref,
			meant(ref, gitRefs(root), "; write a branch, a tag or a commit, or fetch it first, as with git fetch origin BRANCH"))
	}
	base, err := mergeBase(root, ref, strings.TrimSpace(string(commit)))
	if err != nil {
		return nil, err
	}
	lines, err := changedLines(root, base)
	if err != nil {
		return nil, usagef("--changed-from %s: %v", ref, err)
	}
	return &changes{ref, base[:min(12, len(base))], lines}, nil
}

func mergeBase(root, ref, commit string) (string, error) {
	if _, err := git(root, "rev-parse", "--verify", "--quiet", "HEAD^{commit}"); err != nil {
		return "", usagef("--changed-from %s: HEAD is no commit yet; commit something first", ref)
	}
	out, err := git(root, "merge-base", commit, "HEAD")
	if err == nil {
		return strings.TrimSpace(string(out)), nil
	}
	var exit *osexec.ExitError
	if !errors.As(err, &exit) || exit.ExitCode() != 1 {
		return "", usagef("--changed-from %s: git merge-base: %v", ref, err)
	}
	if out, err := git(root, "rev-parse", "--is-shallow-repository"); err == nil && strings.TrimSpace(string(out)) == "true" {
		return "", usagef("--changed-from %s: this clone is shallow, and the commit from which HEAD and %s went apart is not in it; "+
			"fetch more with git fetch --unshallow (in CI, ask for the whole history)", ref, ref)
	}
	return "", usagef("--changed-from %s: HEAD and %s have no commit in common; name a branch that this one came from", ref, ref)
}

// gitChanges is what is known of changes when nobody named a commit: the lines
// that differ from the merge base with the remote's main branch, or from the
// last commit where there is no remote. It is nil without git or repository.
func gitChanges(root string) map[string][]lineRange {
	base := "HEAD"
	if out, err := git(root, "merge-base", "HEAD", "origin/HEAD"); err == nil {
		base = strings.TrimSpace(string(out))
	}
	lines, err := changedLines(root, base)
	if err != nil {
		return nil
	}
	return lines
}

// changedLines compares the working tree with a commit. The whole repository is
// compared, so that a file which came into the project from elsewhere in it is
// seen to have been moved, and since links may lead out of the project. What git
// does not track is looked for in the project alone.
func changedLines(root, base string) (map[string][]lineRange, error) {
	prefix, err := git(root, "rev-parse", "--show-prefix")
	if err != nil {
		return nil, err
	}
	diff, err := git(root, "diff", "--no-color", "--no-ext-diff", "--no-textconv", "--text", "--no-relative", "--unified=0",
		"--inter-hunk-context=0", "--find-renames", "--ignore-submodules", "--src-prefix=a/", "--dst-prefix=b/", base, "--")
	if err != nil {
		return nil, err
	}
	all, err := parseDiff(diff)
	if err != nil {
		return nil, err
	}
	out := map[string][]lineRange{}
	here := "/" + strings.TrimSuffix(string(prefix), "\n")
	for path, lines := range all {
		if rel, err := filepath.Rel(here, "/"+path); err == nil {
			out[filepath.ToSlash(rel)] = lines
		}
	}
	others, err := git(root, "ls-files", "-z", "--others", "--exclude-standard")
	if err != nil {
		return nil, err
	}
	for _, path := range strings.Split(string(others), "\x00") {
		if path != "" {
			out[path] = []lineRange{{1, 1 << 30}}
		}
	}
	return out, nil
}

func hasGit() bool {
	_, err := osexec.LookPath("git")
	return err == nil
}

// git runs git in a directory. It takes no locks, and so refreshes no index:
// nothing of the user's is written. The error holds what git said.
func git(dir string, args ...string) ([]byte, error) {
	cmd := osexec.Command("git", append([]string{"-C", dir, "-c", "core.quotePath=false", "-c", "core.fsmonitor=false"}, args...)...)
	cmd.Env = append(os.Environ(), "LC_ALL=C", "GIT_OPTIONAL_LOCKS=0")
	out, err := cmd.Output()
	var exit *osexec.ExitError
	if errors.As(err, &exit) && len(bytes.TrimSpace(exit.Stderr)) > 0 {
		first, _, _ := strings.Cut(strings.TrimSpace(string(exit.Stderr)), "\n")
		err = fmt.Errorf("git says: %s (%w)", first, err)
	}
	return out, err
}

// said gives what git said, unless it is what the message says already.
func said(err error, known string) string {
	if err == nil || strings.Contains(err.Error(), known) {
		return ""
	}
	return "; " + err.Error()
}

// gitRefs lists the names of branches and tags, for suggestions.
func gitRefs(root string) []string {
	out, err := git(root, "for-each-ref", "--format=%(refname:short)")
	if err != nil {
		return nil
	}
	return strings.Fields(string(out))
}

// parseDiff reads the new side of a unified diff without context. Lines of the
// text are counted off, since they may look like a header: "++ $i;" put in is
// "+++ $i;" in a diff.
func parseDiff(diff []byte) (map[string][]lineRange, error) {
	out := map[string][]lineRange{}
	path := ""
	inside := 0 // lines of the hunk that are still to come
	for len(diff) > 0 {
		line, rest, _ := bytes.Cut(diff, []byte("\n"))
		diff = rest
		switch {
		case inside > 0 && len(line) > 0 && (line[0] == '+' || line[0] == '-'):
			inside--
		case bytes.HasPrefix(line, []byte(`\`)): // "\ No newline at end of file"
		case inside > 0:
			return nil, fmt.Errorf("git's diff cannot be read: %q stands in a hunk of %s", line, path)
		case bytes.HasPrefix(line, []byte("+++ ")):
			path = diffPath(string(line[4:])) // of a file that is gone /dev/null, without lines
		case bytes.HasPrefix(line, []byte("@@ ")):
			old, fresh, err := hunkLines(string(line))
			if err != nil {
				return nil, err
			}
			inside = old[1] + fresh[1]
			r := lineRange{fresh[0], fresh[0] + fresh[1] - 1}
			if fresh[1] == 0 { // lines were only taken out: those around the gap count
				r.to = r.from + 1
			}
			if path != "/dev/null" {
				out[path] = append(out[path], r)
			}
		}
	}
	return out, nil
}

// diffPath reads the name behind "+++ ": quoted where it holds control
// characters, ended by a tab where it holds blanks.
func diffPath(name string) string {
	if unquoted, err := strconv.Unquote(name); err == nil {
		name = unquoted
	}
	return strings.TrimPrefix(strings.TrimSuffix(name, "\t"), "b/")
}

// hunkLines gives where each side of a hunk begins and how many lines it has.
func hunkLines(header string) (old, fresh [2]int, err error) {
	words := strings.Fields(header)
	if len(words) < 3 {
		return old, fresh, fmt.Errorf("git's diff cannot be read: %q is no head of a hunk", header)
	}
	for i, side := range []*[2]int{&old, &fresh} {
		start, count, counted := strings.Cut(words[1+i][1:], ",")
		side[1] = 1
		side[0], err = strconv.Atoi(start)
		if counted && err == nil {
			side[1], err = strconv.Atoi(count)
		}
		if err != nil {
			return old, fresh, fmt.Errorf("git's diff cannot be read: %q is no head of a hunk", header)
		}
	}
	return old, fresh, nil
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

// onChangedLine reports whether an edit touches a changed line.
func onChangedLine(m *mutate.Mutant, changed map[string][]lineRange) bool {
	ranges := changed[m.Source.Path]
	if len(ranges) == 0 {
		return false
	}
	line := 1 + bytes.Count(m.Source.Text[:m.Edit.Start], []byte("\n")) // m.Line counts a lone "\r", too
	last := line + strings.Count(m.Before(), "\n")
	return slices.ContainsFunc(ranges, func(r lineRange) bool { return line <= r.to && r.from <= last })
}

// throughLinks makes the changes known by the names that the project's files
// have in it: git follows no links.
func (c *changes) throughLinks(root string, files []string) {
	for _, path := range files {
		real, err := filepath.EvalSymlinks(filepath.Join(root, filepath.FromSlash(path)))
		if err != nil {
			continue // it will be missed by whoever needs it
		}
		if rel, err := filepath.Rel(root, real); err == nil && filepath.ToSlash(rel) != path {
			c.lines[path] = c.lines[filepath.ToSlash(rel)]
		}
	}
}

// only gives the mutants on changed lines, in their order, and notes how many
// were left out.
func (c *changes) only(ms []*mutate.Mutant, r *mutate.Result) []*mutate.Mutant {
	var out []*mutate.Mutant
	for _, m := range ms {
		if onChangedLine(m, c.lines) {
			out = append(out, m)
		}
	}
	left := len(ms) - len(out)
	r.LeftOut += left
	what := fmt.Sprintf("Only the mutants on lines that changed since %s (merge base %s) were judged: %d of %s.", c.ref, c.base, len(out), many(len(ms), "mutant"))
	if len(out) == 0 {
		what = fmt.Sprintf("No mutant is on a line that changed since %s (merge base %s).", c.ref, c.base)
	}
	r.Notes = append(r.Notes, mutate.Note{Kind: "left_out", Text: what})
	return out
}

// repositoryPrefix gives the path from the top of the git work tree that a
// project lies in to its root, with "/" at its end; "" when the root is the top
// or there is no repository. It needs no git.
func repositoryPrefix(root string) string {
	for dir := root; ; dir = filepath.Dir(dir) {
		if isRepository(dir) {
			rel, err := filepath.Rel(dir, root)
			if err != nil || rel == "." {
				return ""
			}
			return filepath.ToSlash(rel) + "/"
		}
		if dir == filepath.Dir(dir) {
			return ""
		}
	}
}

// isRepository reports whether a directory is the top of a work tree: its .git
// is a repository, or a file that tells where that is (worktrees, submodules).
func isRepository(dir string) bool {
	dot := filepath.Join(dir, ".git")
	return isFile(dot) || isFile(filepath.Join(dot, "HEAD"))
}
