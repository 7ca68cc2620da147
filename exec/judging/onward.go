package judging

import (
	"slices"

	"assay/exec/recording"
)

// Then gives, by segment, the one at which a replay that runs pairs from a boundary on goes
// on if it leaves nothing and is green. Segments are left out behind which more than that is
// to be looked at, and those before one that leaves files, or for which stops is true.
func (s *Suite) Then(boundary int, pairs []int, stops func(segment int) bool) map[int]int {
	then := map[int]int{}
	n, ok := s.Next(boundary, true, pairs)
	for ok {
		var next int
		if next, ok = s.Next(n+1, true, pairs); !ok {
			break
		}
		g := &s.Segments[n]
		if g.Kind == recording.Test && g.Neutral && g.Held == "" && len(g.OwnIn) == 0 && !g.LeavesProcesses && !s.stopsAt(next, stops) {
			then[n] = next
		}
		n = next
	}
	return then
}

// mostQuiet is how many segments a replay runs at most, in another state than the
// recording's, before its state is looked at again.
const mostQuiet = 256

// Quiet gives the ranges of segments behind which nobody looks in a replay that has the
// recording's state at a boundary: the next one is a pair as well, so it is run whatever is
// left. The second number of a range is not in it. There is a look around segments that leave
// files, since these are looked at where the replay stops, and Then may lead past them.
func (s *Suite) Quiet(boundary int, pairs []int, stops func(segment int) bool) [][2]int {
	var ranges [][2]int
	n, ok := s.Next(boundary, true, pairs)
	for ok {
		var next int
		if next, ok = s.Next(n+1, true, pairs); ok && next == n+1 && s.isQuiet(n, stops) && !s.Segments[n].LeavesFiles && !s.Segments[next].LeavesFiles {
			ranges = extended(ranges, n)
		}
		n = next
	}
	return ranges
}

// QuietWhile gives the same for a replay whose state has been another one at so many looks in
// a row: it runs all segments, and twice as many each time before the next look. What it
// runs too many of these is never more than what it had to run.
func (s *Suite) QuietWhile(boundary, diverged int, stops func(segment int) bool) [][2]int {
	most := min(1<<min(diverged, 30), mostQuiet)
	var ranges [][2]int
	for n := max(boundary, 1); n < min(boundary+most-1, s.End()) && s.isQuiet(n, stops); n++ {
		ranges = extended(ranges, n)
	}
	return ranges
}

// QuietAll gives the same for a replay that runs all segments whatever is left: nobody
// compares what that is.
func (s *Suite) QuietAll(boundary int, stops func(segment int) bool) [][2]int {
	var ranges [][2]int
	for n := max(boundary, 1); n < s.End(); n++ {
		if !stops(n + 1) {
			ranges = extended(ranges, n)
		}
	}
	return ranges
}

// extended adds a segment to ranges.
func extended(ranges [][2]int, n int) [][2]int {
	if last := len(ranges) - 1; last >= 0 && ranges[last][1] == n {
		ranges[last][1]++
		return ranges
	}
	return append(ranges, [2]int{n, n + 1})
}

// isQuiet reports whether a look behind a segment can be left out: it leaves nothing that only
// a stop there would tell, and the next one needs none.
func (s *Suite) isQuiet(segment int, stops func(int) bool) bool {
	g := &s.Segments[segment]
	return g.Held == "" && len(g.OwnIn) == 0 && !g.LeavesProcesses && !stops(segment+1)
}

// stopsAt reports whether a replay stops before a segment: where stops says so, or where the
// segment leaves files, so that it is known which segment has changed them.
func (s *Suite) stopsAt(segment int, stops func(int) bool) bool {
	return segment < len(s.Segments) && s.Segments[segment].LeavesFiles || stops(segment)
}

// ThenAll gives the same for a replay that runs all segments from a boundary on.
func (s *Suite) ThenAll(boundary int, stops func(segment int) bool) map[int]int {
	then := map[int]int{}
	for n := max(boundary, 1); n < s.End(); n++ {
		if !stops(n + 1) {
			then[n] = n + 1
		}
	}
	return then
}

// Next gives the segment at which a replay goes on that stands at a boundary; ok is
// false when it has nothing left to do. Where the state has converged, what is neutral
// and passes no mutant is left out; where it has not, nothing is.
func (s *Suite) Next(boundary int, converged bool, pairs []int) (segment int, ok bool) {
	if boundary > s.End() {
		return 0, false
	}
	if !converged {
		return boundary, true
	}
	i, _ := slices.BinarySearch(pairs, boundary)
	if i == len(pairs) {
		return 0, false
	}
	for n := boundary; n < pairs[i]; n++ {
		if !s.Segments[n].Neutral {
			return n, true
		}
	}
	return pairs[i], true
}
