package report

import (
	"bufio"
	"fmt"
	"io"
	"strings"

	"assay/mutate"
)

// Change gives an edit in one line: what is replaced, and by what.
func Change(m *mutate.Mutant) string {
	const most = 60
	before, after := oneLine(m.Before(), most), oneLine(m.Edit.New, most)
	switch {
	case m.Edit.New == "":
		return "without " + before
	case m.Edit.Len() == 0:
		return "with " + after
	}
	return before + " => " + after
}

const inspectLines = 4 // of context, where one mutant is shown

// Mutant writes one mutant for people: where it is, by which rule, and the
// diff. root is the project's, for links.
func Mutant(w io.Writer, m *mutate.Mutant, root string, o Options) error {
	if o.Width <= 0 {
		o.Width = defaultWidth
	}
	p := newText(w, &mutate.Result{Root: root}, o)
	p.code = map[string]string{m.ID: ""}
	p.printf("%s  %s\n", p.strong(p.position(m)), visible(m.Where()))
	p.printf("  %s, mutant %s\n%s\n", m.Op.ID, m.ID, wrap(Rule(m.Op), "  ", o.Width))
	p.change(blocks([]mutate.Verdict{{Mutant: m}})[0], inspectLines)
	return p.Flush()
}

// Finding gives what is known about a mutant, for people, tests in full. v is
// nil when nothing is; remark is a sentence that limits what is said.
func Finding(v *mutate.Verdict, remark string, o Options) string {
	width := o.Width
	if width <= 0 {
		width = 100
	}
	var b strings.Builder
	if remark != "" {
		b.WriteString(wrap(remark, "", width))
	}
	if v == nil {
		return b.String()
	}
	name, said := verdictName(v.Status), sentence(v)
	if rest, ok := strings.CutPrefix(said, name); ok {
		said = rest
	} else {
		said = ": " + said
	}
	b.WriteString(wrap(paint(o.Color).strong(name)+said, "", width))
	switch v.Seen.Word {
	case mutate.NeverDiffers:
		b.WriteString("\n" + wrap(evaluations(v.Seen, width-len("`` …")), "", width))
	case mutate.NotObserved:
		b.WriteString("\n" + wrap(notCompared, "", width))
	}
	if v.Status == mutate.Survived {
		b.WriteString("\n" + wrap(hints{}.of(*v), "", width))
	}
	if v.Proof != nil {
		o.Width = width
		b.WriteString("\n" + proofText(v.Proof, v.Mutant.ID, "A test that kills it", o))
	}
	if n := len(v.Reaching); n > 0 {
		fmt.Fprintf(&b, "\nReached by %s, in the order in which they are run:\n", count(n, "test"))
		for _, id := range v.Reaching {
			fmt.Fprintf(&b, "  %s\n", visible(string(id)))
		}
	}
	return b.String()
}

// notCompared is what is told where nothing was observed.
const notCompared = "Whether the change ever gives another value was not observed; the tests were run on it."

func verdictName(s mutate.Status) string {
	if s == mutate.TimedOut {
		return "timed out"
	}
	return s.String()
}

// sentence says in words what a verdict means.
func sentence(v *mutate.Verdict) string {
	switch v.Status {
	case mutate.Killed:
		by := "at the end of " + count(v.Ran, "test")
		if v.Killer != "" {
			by = visible(string(v.Killer)) + " fails"
		}
		detail := ""
		if v.Detail != "" {
			detail = ": " + oneLine(strings.TrimPrefix(v.Detail, `PHPUnit\Framework\ExpectationFailedException: `), lineChars)
		}
		return fmt.Sprintf("%s (%s)%s", by, strings.ReplaceAll(v.How.String(), "_", " "), detail)
	case mutate.TimedOut:
		return "the tests did not end in their time" + during(v.Killer)
	case mutate.Survived:
		return passed(max(v.Ran, len(v.Reaching)))
	case mutate.Unreached:
		return "no test runs this code"
	case mutate.Stillborn:
		return "PHP refuses to compile it"
	case mutate.Accepted:
		plain := *v
		plain.Status = v.WouldBe
		return "accepted, because " + visible(v.Detail) + "; otherwise " + v.WouldBe.String() + ": " + sentence(&plain)
	case mutate.Equivalent:
		plain := *v
		plain.Status = v.WouldBe
		return "equivalent: " + visible(v.Detail) + ", so no test can tell them apart; otherwise " + v.WouldBe.String() + ": " + sentence(&plain)
	case mutate.Skipped:
		return "skipped by a comment in the source, because " + visible(v.Mutant.Skipped)
	case mutate.Broken:
		return "assay itself failed: " + oneLine(v.Detail, lineChars)
	}
	panic("report: no sentence for status " + v.Status.String())
}

// passed says how many tests reach a survivor, and that they pass.
func passed(n int) string {
	if n == 1 {
		return "1 test reaches it, and it passes"
	}
	return fmt.Sprintf("%d tests reach it, and all pass", n)
}

func during(test mutate.TestID) string {
	if test == "" {
		return ""
	}
	return ", in " + visible(string(test))
}

// Operators lists operators a line each, by family.
func Operators(w io.Writer, ops []*mutate.Operator) error {
	b := bufio.NewWriter(w)
	wide := 0
	width := 0
	for _, op := range ops {
		width = max(width, len(op.ID))
	}
	family := ""
	for _, op := range ops {
		if f := op.Family(); f != family {
			if family != "" {
				b.WriteByte('\n')
			}
			family = f
		}
		mark := " "
		if op.Wide {
			mark = "w"
			wide++
		}
		fmt.Fprintf(b, "%s %-*s  %s\n", mark, width, op.ID, Rule(op))
	}
	fmt.Fprintf(b, "\n%s. Those marked w are in the breadth wide only: %d.\n", count(len(ops), "operator"), wide)
	return b.Flush()
}

// Operator explains one operator: its rule, its example, what a survivor says
// about the tests, and what to do where more is known of it.
func Operator(w io.Writer, op *mutate.Operator) error {
	breadth := "core and wide"
	if op.Wide {
		breadth = "wide"
	}
	var observed string
	if op.Input != "" {
		observed = "\n  When the changed expression never had another value:\n" + wrap(op.Input, "  ", 96) +
			"\n  When it had one, and no test failed:\n" + wrap(op.Outcome, "  ", 96)
	}
	_, err := fmt.Fprintf(w, "%s\n  %s\n  Breadth: %s.\n\n%s%s\n  When it survives:\n%s%s", op.ID, Rule(op), breadth,
		signed("-", op.Before), signed("+", op.After), wrap(Meaning(op), "  ", 96), observed)
	return err
}

func signed(sign, code string) string {
	var b strings.Builder
	for line := range strings.Lines(strings.TrimRight(code, "\n")) {
		fmt.Fprintf(&b, "    %s %s\n", sign, strings.TrimRight(line, "\n"))
	}
	return b.String()
}
