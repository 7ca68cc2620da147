package report

import (
	"fmt"
	"strings"

	"assay/mutate"
	"assay/mutate/syntax"
)

// A Hunk is the one hunk of the unified diff that an edit makes. Line numbers
// are 1-based; lines end at "\n", as for the diff tools.
type Hunk struct {
	OldStart, OldLines int
	NewStart, NewLines int
	Lines              []DiffLine
}

// A DiffLine is one line of a hunk.
type DiffLine struct {
	Sign byte        // ' ', '-' or '+'
	Text string      // raw bytes, without the newline
	Mark syntax.Span // the part of Text that was removed or put in
	// Cut reports that the file ends without a newline behind this line.
	Cut bool
}

// Diff makes the hunk of an edit to src with up to context unchanged lines on
// either side. It applies to src with patch(1).
func Diff(src []byte, e mutate.Edit, context int) Hunk {
	from, to := lineStart(src, e.Start), lineEnd(src, e.End)
	lead := e.Start - from
	old := splitLines(string(src[from:to]), lead, lead+e.Len())
	new := splitLines(string(src[from:e.Start])+e.New+string(src[e.End:to]), lead, lead+len(e.New))
	for len(old) > 0 && len(new) > 0 && same(old[0], new[0]) {
		from += len(old[0].Text) + 1 - truth(old[0].Cut)
		old, new = old[1:], new[1:]
	}
	for len(old) > 0 && len(new) > 0 && same(old[len(old)-1], new[len(new)-1]) {
		last := old[len(old)-1]
		to -= len(last.Text) + 1 - truth(last.Cut)
		old, new = old[:len(old)-1], new[:len(new)-1]
	}
	before := lastLines(splitLines(string(src[:from]), -1, -1), context)
	after := splitLines(string(src[to:]), -1, -1)
	if len(after) > context {
		after = after[:context]
	}
	h := Hunk{
		OldStart: 1 + strings.Count(string(src[:from]), "\n") - len(before),
		OldLines: len(before) + len(old) + len(after),
		NewLines: len(before) + len(new) + len(after),
	}
	h.NewStart = h.OldStart
	// The number of an empty range is that of the line before it.
	h.OldStart -= truth(h.OldLines == 0)
	h.NewStart -= truth(h.NewLines == 0)
	h.add(' ', before)
	h.add('-', old)
	h.add('+', new)
	h.add(' ', after)
	return h
}

func (h *Hunk) add(sign byte, lines []DiffLine) {
	for _, l := range lines {
		l.Sign = sign
		h.Lines = append(h.Lines, l)
	}
}

// Header gives "@@ -3,7 +3,7 @@".
func (h Hunk) Header() string {
	return fmt.Sprintf("@@ -%s +%s @@", lineRange(h.OldStart, h.OldLines), lineRange(h.NewStart, h.NewLines))
}

func lineRange(start, n int) string {
	if n == 1 {
		return fmt.Sprint(start)
	}
	return fmt.Sprintf("%d,%d", start, n)
}

// String gives the hunk as diff tools read it, with the raw bytes.
func (h Hunk) String() string {
	var b strings.Builder
	b.WriteString(h.Header() + "\n")
	for _, l := range h.Lines {
		b.WriteByte(l.Sign)
		b.WriteString(l.Text)
		b.WriteByte('\n')
		if l.Cut {
			b.WriteString("\\ No newline at end of file\n")
		}
	}
	return b.String()
}

func lineStart(src []byte, at int) int {
	for at > 0 && src[at-1] != '\n' {
		at--
	}
	return at
}

// lineEnd is the offset behind the newline of the line that holds at.
func lineEnd(src []byte, at int) int {
	for at < len(src) {
		if src[at] == '\n' {
			return at + 1
		}
		at++
	}
	return at
}

// splitLines cuts text behind its newlines and marks in each line the part
// that lies in the bytes from start to end of the text.
func splitLines(text string, start, end int) []DiffLine {
	var out []DiffLine
	for at := 0; at < len(text); {
		line, _, ended := strings.Cut(text[at:], "\n")
		l := DiffLine{Text: line, Cut: !ended}
		l.Mark.Start = min(max(start-at, 0), len(line))
		l.Mark.End = min(max(end-at, l.Mark.Start), len(line))
		out = append(out, l)
		at += len(line) + 1
	}
	return out
}

func lastLines(lines []DiffLine, n int) []DiffLine { return lines[max(0, len(lines)-n):] }

func same(a, b DiffLine) bool { return a.Text == b.Text && a.Cut == b.Cut }
