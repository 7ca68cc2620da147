//go:build linux

package exec

// Telling endless loops from long ones.

import (
	"maps"
	"slices"

	"assay/exec/recording"
	"assay/exec/wire"
)

// How often a loop may go round once it is entered in a test before it is taken
// for endless, if by then the test has used 0.1 seconds of processor time:
// tooOften times as often as it does in the whole of that test, tooOftenAnywhere
// times as often as in the test where it does most, and at least leastTooOften
// times. Five times as often, it may not take any time at all. See Probe.php.
const (
	tooOften         = 5_000
	tooOftenAnywhere = 50
	leastTooOften    = 20_000
)

// countLoops notes how often loops go round.
func (b *Baseline) countLoops() {
	b.peak, b.loops, b.passes = map[int]int64{}, map[int]bool{}, make([]map[int]int64, len(b.rec.Tests))
	for _, p := range b.points {
		for _, id := range p.Loops {
			b.loops[id] = true
		}
	}
	for n, s := range b.run.Segments {
		for i, p := range s.Points.Points {
			if !b.loops[p] {
				continue
			}
			count := int64(s.Points.Times[i])
			b.peak[p] = max(b.peak[p], count)
			if n >= len(b.rec.Segments) || b.rec.Segments[n].Kind != recording.Test || count*tooOften <= leastTooOften {
				continue
			}
			test := b.rec.Segments[n].Test
			if b.passes[test] == nil {
				b.passes[test] = map[int]int64{}
			}
			b.passes[test][p] = max(b.passes[test][p], count)
		}
	}
}

// limit gives a replay the loops of all sources, and how often each may go round: one
// that goes round thousands of times more often than in any test is endless, and that
// shows soon. Where counting shows nothing (a loop without a body, recursion, a function
// of PHP's that takes long) only time can tell.
func (b *Baseline) limit(job *wire.Job) {
	job.Limits, job.Loops, job.Often = map[int]int64{}, map[int]int{}, map[int]map[int]int64{}
	for path, p := range b.points {
		if len(p.Loops) == 0 || b.dropped[path] {
			continue
		}
		maps.Copy(job.Loops, p.Loops)
		for _, id := range p.Loops {
			job.Limits[id] = max(leastTooOften, tooOftenAnywhere*b.peak[id])
		}
	}
	for i := range b.passes {
		often := map[int]int64{}
		for _, p := range slices.Sorted(maps.Keys(b.passes[i])) {
			if limit, n := job.Limits[p], b.passes[i][p]; limit > 0 && n*tooOften > limit {
				often[p] = n * tooOften
			}
		}
		if len(often) > 0 {
			job.Often[i] = often
		}
	}
}
