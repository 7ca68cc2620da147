package testcode

import (
	"bytes"
	"cmp"
	"fmt"
	"slices"
	"strings"
)

// An insertion puts text into a file at a byte offset.
type insertion struct {
	at   int
	text string
}

// insert gives the text with the insertions made; src is not changed.
func insert(src []byte, list []insertion) []byte {
	slices.SortStableFunc(list, func(a, b insertion) int { return cmp.Compare(a.at, b.at) })
	var out []byte
	at := 0
	for _, i := range list {
		out = append(append(out, src[at:i.at]...), i.text...)
		at = i.at
	}
	return append(out, src[at:]...)
}

// context is how many unchanged lines a hunk has on either side.
const context = 3

// Diff gives the change of the test's file as a unified diff that git applies in the
// project's root, and patch(1) with -p1. Its lines are raw bytes.
func (t *Test) Diff() string {
	path := slashed(t.Path)
	var b strings.Builder
	fmt.Fprintf(&b, "diff --git %s %s\n", quotedPath("a/"+path), quotedPath("b/"+path))
	if t.Old == nil {
		b.WriteString("new file mode 100644\n--- /dev/null\n")
	} else {
		fmt.Fprintf(&b, "--- %s\n", ended("a/"+path))
	}
	fmt.Fprintf(&b, "+++ %s\n", ended("b/"+path))
	old, now := lines(t.Old), lines(t.New)
	changes := compare(old, now)
	for len(changes) > 0 {
		n := 1
		for n < len(changes) && changes[n].oldFrom-changes[n-1].oldTo <= 2*context {
			n++
		}
		writeHunk(&b, old, now, changes[:n])
		changes = changes[n:]
	}
	return b.String()
}

// span is a range of lines on both sides that is not the same.
type span struct{ oldFrom, oldTo, newFrom, newTo int }

// compare finds what was put in. The longest common subsequence of lines is looked for
// only between what is the same at both ends.
func compare(old, now []string) []span {
	head := 0
	for head < len(old) && head < len(now) && old[head] == now[head] {
		head++
	}
	tail := 0
	for tail < len(old)-head && tail < len(now)-head && old[len(old)-1-tail] == now[len(now)-1-tail] {
		tail++
	}
	a, b := old[head:len(old)-tail], now[head:len(now)-tail]
	var out []span
	i, j := 0, 0
	for i < len(a) || j < len(b) {
		if i < len(a) && j < len(b) && a[i] == b[j] {
			i, j = i+1, j+1
			continue
		}
		s := span{head + i, head + i, head + j, head + j}
		i, j = resume(a, b, i, j)
		s.oldTo, s.newTo = head+i, head+j
		out = append(out, s)
	}
	return out
}

// resume gives where the two sides are the same again, which is where fewest lines are
// passed, or their ends.
func resume(a, b []string, i, j int) (int, int) {
	for sum := 1; sum <= len(a)-i+len(b)-j; sum++ {
		for da := 0; da <= sum; da++ {
			if db := sum - da; i+da < len(a) && j+db < len(b) && a[i+da] == b[j+db] {
				return i + da, j + db
			}
		}
	}
	return len(a), len(b)
}

func writeHunk(b *strings.Builder, old, now []string, changes []span) {
	first, last := changes[0], changes[len(changes)-1]
	from := max(0, first.oldFrom-context)
	to := min(len(old), last.oldTo+context)
	newFrom := first.newFrom - (first.oldFrom - from)
	newTo := last.newTo + (to - last.oldTo)
	fmt.Fprintf(b, "@@ -%s +%s @@\n", lineRange(from, to), lineRange(newFrom, newTo))
	at := from
	for _, c := range changes {
		writeLines(b, ' ', old[at:c.oldFrom])
		writeLines(b, '-', old[c.oldFrom:c.oldTo])
		writeLines(b, '+', now[c.newFrom:c.newTo])
		at = c.oldTo
	}
	writeLines(b, ' ', old[at:to])
}

// lineRange gives the lines from (0-based) to to, as a hunk's head names them.
func lineRange(from, to int) string {
	switch n := to - from; n {
	case 0:
		return fmt.Sprintf("%d,0", from)
	case 1:
		return fmt.Sprint(from + 1)
	default:
		return fmt.Sprintf("%d,%d", from+1, n)
	}
}

func writeLines(b *strings.Builder, sign byte, list []string) {
	for _, l := range list {
		b.WriteByte(sign)
		b.WriteString(l)
		if !strings.HasSuffix(l, "\n") {
			b.WriteString("\n\\ No newline at end of file\n")
		}
	}
}

// lines cuts a text behind its newlines.
func lines(text []byte) []string {
	var out []string
	for _, l := range bytes.SplitAfter(text, []byte("\n")) {
		if len(l) > 0 {
			out = append(out, string(l))
		}
	}
	return out
}

func slashed(path string) string { return strings.TrimPrefix(path, "./") }

// ended writes a path as a line's last: git takes one with blanks only with a tab behind
// it.
func ended(path string) string {
	q := quotedPath(path)
	if q == path && strings.Contains(path, " ") {
		return path + "\t"
	}
	return q
}

// quotedPath quotes a path as git does, where it has bytes that could be misread.
func quotedPath(path string) string {
	if !strings.ContainsFunc(path, func(r rune) bool { return r < ' ' || r == '"' || r == '\\' || r >= 0x7f }) {
		return path
	}
	var b strings.Builder
	b.WriteByte('"')
	for _, c := range []byte(path) {
		switch {
		case c == '"' || c == '\\':
			b.WriteByte('\\')
			b.WriteByte(c)
		case c < ' ' || c >= 0x7f:
			fmt.Fprintf(&b, `\%03o`, c)
		default:
			b.WriteByte(c)
		}
	}
	b.WriteByte('"')
	return b.String()
}
