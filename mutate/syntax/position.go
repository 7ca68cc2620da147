package syntax

import "sort"

// A Span is a half-open range of byte offsets, 0-based: Src[Start:End].
type Span struct{ Start, End int }

// Len is the number of bytes in the span.
func (s Span) Len() int { return s.End - s.Start }

// Contains reports whether o lies wholly within s.
func (s Span) Contains(o Span) bool { return s.Start <= o.Start && o.End <= s.End }

// Overlaps reports whether s and o share a byte. An empty span overlaps what
// it lies strictly inside of.
func (s Span) Overlaps(o Span) bool { return s.Start < o.End && o.Start < s.End }

// lineStarts holds the offset at which each line begins. A line ends with
// "\n", "\r\n" or a lone "\r", as it does for PHP.
func lineStarts(src []byte) []int {
	starts := []int{0}
	for i, c := range src {
		if c == '\n' || (c == '\r' && (i+1 == len(src) || src[i+1] != '\n')) {
			starts = append(starts, i+1)
		}
	}
	return starts
}

// Position gives the 1-based line and 1-based column, in bytes, of an offset.
// An offset past the end gives the position just after the last byte.
func (f *File) Position(offset int) (line, column int) {
	offset = max(0, min(offset, len(f.Src)))
	i := sort.SearchInts(f.lines, offset+1) - 1
	return i + 1, offset - f.lines[i] + 1
}

// Line gives the text of a 1-based line without its line end; "" past the end.
func (f *File) Line(n int) string {
	s := f.LineSpan(n)
	for s.End > s.Start && (f.Src[s.End-1] == '\n' || f.Src[s.End-1] == '\r') {
		s.End--
	}
	return string(f.Src[s.Start:s.End])
}

// LineSpan is the span of a 1-based line with its line end; empty past the end.
func (f *File) LineSpan(n int) Span {
	if n < 1 || n > len(f.lines) {
		return Span{len(f.Src), len(f.Src)}
	}
	end := len(f.Src)
	if n < len(f.lines) {
		end = f.lines[n]
	}
	return Span{f.lines[n-1], end}
}
