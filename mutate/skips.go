package mutate

import (
	"fmt"
	"regexp"
	"slices"
	"strings"

	"assay/mutate/syntax"
)

// A Skip is a comment that sets mutants apart:
//
//	// assay: skip OPERATOR because REASON
//
// OPERATOR is an operator, a family, "*" for all, or several with commas
// between them. Which operators the names stand for is the caller's to find
// out. The comment stands
//
//   - at the end of a line, for what begins on that line;
//   - on a line of its own before a function, class or other declaration, or
//     in its doc comment, for all of that;
//   - on a line of its own before a statement, an argument, an element of an
//     array or an arm of a match, for that; of a statement that holds others,
//     such as an if or a loop, for what is changed in the statement itself;
//   - on a line of its own elsewhere, for what begins on the next line of code.
//
// PHP's own reading says what is a comment: the same text in a string is not.
type Skip struct {
	Path   string // of the file
	Line   int    // 1-based, of the line that says it
	Names  []string
	Reason string // not empty
	// Within is where a mutant has to begin that is skipped, or the statement
	// that it changes: half-open byte offsets. Except are the parts that are
	// left out.
	Within syntax.Span
	Except []syntax.Span
}

// Covers reports whether the comment is about the place of a mutant. Its
// operator is not looked at.
func (s *Skip) Covers(m *Mutant) bool {
	return m.Source.Path == s.Path && (s.holds(m.Edit.Start) || s.holds(m.Begin))
}

func (s *Skip) holds(offset int) bool {
	in := func(x syntax.Span) bool { return x.Start <= offset && offset < x.End }
	return in(s.Within) && !slices.ContainsFunc(s.Except, in)
}

// A SkipFault is a comment that is meant to be a Skip and is none.
type SkipFault struct {
	Path string
	Line int    // 1-based
	Text string // what is wrong, and what to do
}

func (f *SkipFault) Error() string { return fmt.Sprintf("%s:%d: %s", f.Path, f.Line, f.Text) }

// nameForm is what operators and families look like.
var nameForm = regexp.MustCompile(`^(?:\*|[A-Za-z0-9_/-]+)$`)

const skipForm = "write // assay: skip OPERATOR because REASON"

// Skips finds the comments of a file that set mutants apart, in order.
// Comments in what could not be read are left alone, as the code there is.
func Skips(f *syntax.File) (skips []*Skip, faults []*SkipFault) {
	f.Walk(func(n *syntax.Node) bool {
		if n.Kind != "comment" || n.Parent.Is("heredoc", "heredoc_body") || n.Start >= f.HaltOffset() ||
			slices.ContainsFunc(f.Damage, func(d syntax.Damage) bool { return d.Overlaps(n.Span) }) {
			return true
		}
		line, _ := f.Position(n.Start)
		for i, text := range commentLines(f.Text(n)) {
			names, reason, fault := readSkip(text)
			switch {
			case fault != "":
				faults = append(faults, &SkipFault{f.Path, line + i, fault})
			case names != nil:
				s := &Skip{Path: f.Path, Line: line + i, Names: names, Reason: reason}
				s.aim(f, n)
				skips = append(skips, s)
			}
		}
		return true
	})
	return skips, faults
}

// commentLines gives the lines of a comment without its decoration.
func commentLines(text string) []string {
	text = strings.TrimSuffix(text, "*/")
	text = strings.NewReplacer("\r\n", "\n", "\r", "\n").Replace(text)
	lines := strings.Split(text, "\n")
	for i, l := range lines {
		l = strings.TrimSpace(l)
		if i == 0 {
			l = strings.TrimPrefix(strings.TrimPrefix(l, "/"), "/")
		}
		lines[i] = strings.TrimSpace(strings.TrimLeft(l, "*#"))
	}
	return lines
}

// otherWords are what people may write for skip. Any other word begins a
// sentence about something else.
var otherWords = []string{"skip", "skips", "skipped", "ignore", "ignored", "suppress", "disable", "exclude", "accept"}

// readSkip reads one line of a comment. Without names and without a fault it is
// not for us: "assay:" may begin a sentence about a laboratory.
func readSkip(line string) (names []string, reason, fault string) {
	rest, ok := strings.CutPrefix(line, "assay:")
	if !ok {
		return nil, "", ""
	}
	word, rest, _ := strings.Cut(strings.TrimSpace(rest), " ")
	list, reason, because := strings.Cut(" "+strings.TrimSpace(rest)+" ", " because ")
	list, reason = strings.TrimSpace(list), strings.TrimSpace(reason)
	switch {
	case word != "skip" && !slices.Contains(otherWords, strings.ToLower(word)):
		return nil, "", ""
	case word != "skip":
		return nil, "", fmt.Sprintf("a comment can say assay: skip, and not assay: %s; %s", word, skipForm)
	case list == "":
		return nil, "", "the comment names no operator; " + skipForm + ", with an operator, a family, or * for all"
	case !because:
		return nil, "", "the comment gives no reason; " + skipForm
	case reason == "":
		return nil, "", "there is no reason behind because; " + skipForm
	}
	for _, name := range strings.Split(list, ",") {
		if name = strings.TrimSpace(name); !nameForm.MatchString(name) {
			return nil, "", fmt.Sprintf("%q is no list of operators; put commas between them, and %s", list, skipForm)
		}
		names = append(names, name)
	}
	return names, reason, ""
}

// aim finds out what the comment is about.
func (s *Skip) aim(f *syntax.File, comment *syntax.Node) {
	line, column := f.Position(comment.Start)
	if strings.TrimSpace(f.Line(line)[:column-1]) != "" {
		s.Within = f.LineSpan(line)
		return
	}
	if d := comment.Parent; declares(d) && (d.Child("body") == nil || comment.End <= d.Child("body").Start) {
		s.Within = d.Span // between its attributes and its name
		return
	}
	next := f.LeafFrom(comment.End)
	if next == nil || next.Kind == "}" {
		return // nothing follows: the comment is about nothing
	}
	n := next
	for p := n.Parent; p != nil && p.Parent != nil && p.Start == n.Start && p.Start >= comment.End; p = p.Parent {
		n = p
	}
	switch {
	case declares(n):
		s.Within = n.Span
	case strings.HasSuffix(n.Kind, "_statement"), n.Is("argument", "array_element_initializer", "match_conditional_expression", "match_default_expression"):
		s.Within, s.Except = n.Span, blocksOf(n)
	default:
		at, _ := f.Position(next.Start)
		s.Within = f.LineSpan(at)
	}
}

// declares reports whether a node is a declaration that a comment before it is
// about as a whole.
func declares(n *syntax.Node) bool {
	return n.Is("function_definition", "method_declaration", "class_declaration", "trait_declaration", "interface_declaration",
		"enum_declaration", "property_declaration", "const_declaration", "enum_case", "property_hook", "simple_parameter", "property_promotion_parameter")
}

// blocksOf gives the parts of a statement that hold further statements, and the
// branches beside its first.
func blocksOf(n *syntax.Node) []syntax.Span {
	if n.Kind == "expression_statement" || n.Kind == "return_statement" || n.Kind == "echo_statement" {
		return nil // what a closure holds belongs to them
	}
	var out []syntax.Span
	for _, c := range n.Children {
		if c.Field == "body" || c.Field == "alternative" || c.Is("compound_statement", "colon_block", "switch_block", "catch_clause", "finally_clause") ||
			(n.Is("case_statement", "default_statement") && strings.HasSuffix(c.Kind, "_statement")) {
			out = append(out, c.Span)
		}
	}
	return out
}
