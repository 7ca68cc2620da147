package report

import (
	"encoding/xml"
	"fmt"
	"io"
	"strings"
	"time"
	"unicode/utf8"

	"assay/mutate"
)

// There is no standard of JUnit XML; the elements here are those that Ant's
// writer made common and that PHPUnit's --log-junit writes, too.
type (
	junitSuites struct {
		XMLName xml.Name `xml:"testsuites"`
		Name    string   `xml:"name,attr"`
		junitCounts
		Suites []junitSuite `xml:"testsuite"`
	}
	junitSuite struct {
		Name string `xml:"name,attr"`
		File string `xml:"file,attr"`
		junitCounts
		Cases []junitCase `xml:"testcase"`
	}
	junitCounts struct {
		Tests    int    `xml:"tests,attr"`
		Failures int    `xml:"failures,attr"`
		Errors   int    `xml:"errors,attr"`
		Skipped  int    `xml:"skipped,attr"`
		Time     string `xml:"time,attr,omitempty"` // seconds
	}
	junitCase struct {
		Name    string       `xml:"name,attr"`
		Class   string       `xml:"classname,attr"`
		File    string       `xml:"file,attr"`
		Line    int          `xml:"line,attr"`
		Time    string       `xml:"time,attr,omitempty"`
		Failure *junitDetail `xml:"failure"`
		Error   *junitDetail `xml:"error"`
		Skipped *junitDetail `xml:"skipped"`
	}
	junitDetail struct {
		Type    string `xml:"type,attr,omitempty"`
		Message string `xml:"message,attr,omitempty"`
		Text    string `xml:",chardata"`
	}
)

// JUnit writes JUnit XML: a suite a class, a case a mutant. A case fails when
// the mutant survived or is unreached; what is not in the score is skipped; an error is a fault of assay's own.
func JUnit(w io.Writer, r *mutate.Result, o Options) error {
	all, advice := junitSuites{Name: "assay"}, hints{}
	var spent time.Duration
	for _, c := range Classes(r) {
		s := junitSuite{Name: visible(c.Title()), File: visible(o.Prefix + c.File), junitCounts: junitTally(c.Score)}
		var own time.Duration
		for _, v := range c.Verdicts {
			own += v.Time
			s.Cases = append(s.Cases, junitMutant(v, s, advice, o))
		}
		s.Time = seconds(own, o)
		spent += own
		all.Suites = append(all.Suites, s)
	}
	all.junitCounts = junitTally(Total(r))
	all.Time = seconds(spent, o)
	text, err := xml.MarshalIndent(all, "", "  ")
	if err != nil {
		return fmt.Errorf("the result as JUnit XML: %w", err)
	}
	_, err = fmt.Fprintf(w, "%s%s\n", xml.Header, text)
	return err
}

func junitTally(s mutate.Score) junitCounts {
	return junitCounts{Tests: s.Total, Failures: s.Survived + s.Unreached, Errors: s.Broken, Skipped: s.Stillborn + s.Accepted + s.Skipped + s.Equivalent}
}

func seconds(d time.Duration, o Options) string {
	if !o.Timings {
		return ""
	}
	return fmt.Sprintf("%.6f", d.Seconds())
}

func junitMutant(v mutate.Verdict, s junitSuite, advice hints, o Options) junitCase {
	m := v.Mutant
	c := junitCase{
		Name:  fmt.Sprintf("%s (%s)", m.ID, m.Op.ID),
		Class: strings.ReplaceAll(s.Name, `\`, "."), File: s.File, Line: m.Line, Time: seconds(v.Time, o),
	}
	detail := &junitDetail{Type: v.Status.String(), Message: outcome(v) + mark(v)}
	switch v.Status {
	case mutate.Survived:
		detail.Text = fmt.Sprintf("\n%s:%d:%d %s\n%s%s%s", s.File, m.Line, m.Column, visible(m.Where()), shownDiff(m),
			wrap(advice.alone(v), "", 100), wrap(reached(v.Reaching), "", 100))
		c.Failure = detail
	case mutate.Unreached:
		detail.Text = "No test runs this code."
		c.Failure = detail
	case mutate.Stillborn, mutate.Accepted, mutate.Skipped, mutate.Equivalent:
		detail.Type, detail.Message = "", sentence(&v)
		c.Skipped = detail
	case mutate.Broken:
		detail.Message = sentence(&v)
		c.Error = detail
	}
	return c
}

const junitLines = 2 // of context

// shownDiff is the diff for reading: nothing in it can disturb.
func shownDiff(m *mutate.Mutant) string {
	h := Diff(m.Source.Text, m.Edit, junitLines)
	var b strings.Builder
	b.WriteString(h.Header() + "\n")
	for i, l := range h.Lines {
		if i == diffLines {
			fmt.Fprintf(&b, "… %s more\n", count(len(h.Lines)-i, "line"))
			break
		}
		before, mark, after := excerpt(l)
		fmt.Fprintf(&b, "%c%s%s%s\n", l.Sign, before, mark, after)
	}
	return b.String()
}

// excerpt cuts a line into what stands before, in and behind its mark, and
// shortens each where the whole is too long to read.
func excerpt(l DiffLine) (before, mark, after string) {
	text := strings.TrimSuffix(l.Text, "\r")
	end := min(l.Mark.End, len(text))
	start := min(l.Mark.Start, end)
	before, mark, after = visible(text[:start]), visible(text[start:end]), visible(text[end:])
	if utf8.RuneCountInString(before+mark+after) <= lineChars {
		return before, mark, after
	}
	if r := []rune(before); len(r) > lineChars/3 {
		before = "…" + string(r[len(r)-lineChars/3:])
	}
	return before, clip(mark, lineChars/3), clip(after, lineChars/3)
}

func clip(s string, n int) string {
	if r := []rune(s); len(r) > n {
		return string(r[:n]) + "…"
	}
	return s
}
