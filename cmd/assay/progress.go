//go:build linux

package main

import (
	"fmt"
	"io"
	"os"
	"strings"
	"time"
	"unicode/utf8"

	"golang.org/x/term"
)

// A progress tells the person who waits how far the run has come. On a
// terminal it is one line that changes; elsewhere a line at the start of each
// stage and, where it takes long, one for each tenth.
type progress struct {
	w        io.Writer
	terminal bool
	width    func() int
	now      func() time.Time

	stage    stage
	began    time.Time // of the stage
	drawn    time.Time
	tenths   int
	occupied bool // the line holds text
}

// A stage is a part of a run that takes long.
type stage struct {
	said string // where lines stay: "judging 1204 mutants"
	live string // in front of what is done, on a terminal: "judging"
	unit string // that is counted: "mutants"
}

// originalSuite is the stage in which the tests are run without a mutant, as
// often as the engine needs.
var originalSuite = stage{"running the tests unchanged", "original suite", "passes"}

func judgingStage(n int) stage { return stage{"judging " + many(n, "mutant"), "judging", "mutants"} }

// quietTime is the least between two lines of a stage in a log.
const quietTime = 2 * time.Second

func newProgress(w io.Writer) *progress {
	p := &progress{w: w, now: time.Now, width: func() int { return 80 }}
	if f, ok := w.(*os.File); ok && term.IsTerminal(int(f.Fd())) && os.Getenv("TERM") != "dumb" {
		p.terminal = true
		p.width = func() int { return terminalWidth(f, 80) }
	}
	return p
}

func terminalWidth(f *os.File, otherwise int) int {
	if w, _, err := term.GetSize(int(f.Fd())); err == nil && w > 0 {
		return w
	}
	return otherwise
}

// begin starts a stage. detail is said where lines stay.
func (p *progress) begin(next stage, detail string) {
	p.stage, p.began, p.tenths = next, p.now(), 0
	p.drawn = p.began
	if p.terminal {
		p.draw(next.said)
		return
	}
	fmt.Fprintf(p.w, "assay: %s%s\n", next.said, detail)
}

// step says how far the stage is; extra is what else is known. It may be
// called as often as one likes.
func (p *progress) step(done, all int, extra string) {
	if all <= 0 {
		return
	}
	if !p.terminal {
		tenths, now := 10*done/all, p.now()
		if tenths > p.tenths && done < all && now.Sub(p.drawn) >= quietTime {
			p.tenths, p.drawn = tenths, now
			fmt.Fprintf(p.w, "assay: %d of %d%s\n", done, all, extra)
		}
		return
	}
	now := p.now()
	if done < all && now.Sub(p.drawn) < 50*time.Millisecond {
		return
	}
	p.drawn = now
	left := p.left(done, all, now)
	tail := fmt.Sprintf(" %d of %d %s%s%s", done, all, p.stage.unit, extra, left)
	size := func() int { return p.width() - utf8.RuneCountInString(p.stage.live+tail) - 2 }
	live := p.stage.live
	if size() < 0 { // the figures matter more than what they count
		tail = fmt.Sprintf(" %d of %d%s%s", done, all, extra, left)
	}
	if size() < 0 {
		live, tail = "", tail[1:]
	}
	p.draw(live + gauge(done, all, min(24, size()-1)) + tail)
}

// left estimates the time that the rest of the stage takes.
func (p *progress) left(done, all int, now time.Time) string {
	spent := now.Sub(p.began)
	if done == 0 || done == all || spent < 2*time.Second {
		return ""
	}
	left := time.Duration(float64(spent) / float64(done) * float64(all-done)).Round(time.Second)
	if left == 0 {
		return ""
	}
	said := left.String()
	if left > time.Hour {
		said = strings.TrimSuffix(left.Round(time.Minute).String(), "0s")
	}
	return fmt.Sprintf(", %s left", said)
}

// gauge draws a bar of dots that fill up; "" where there is no room.
func gauge(done, all, room int) string {
	if room < 5 {
		return ""
	}
	full := room * done / all
	return " " + strings.Repeat("●", full) + strings.Repeat("·", room-full)
}

func (p *progress) draw(s string) {
	if r, w := []rune(s), p.width()-1; len(r) > w {
		s = string(r[:max(0, w)])
	}
	fmt.Fprintf(p.w, "\r\x1b[2K%s", s)
	p.occupied = true
}

// end takes the line away, so that what is printed next begins a clean one.
func (p *progress) end() {
	if p.occupied {
		fmt.Fprint(p.w, "\r\x1b[2K")
		p.occupied = false
	}
}
