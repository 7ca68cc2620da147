package mutate

import (
	"strings"

	"assay/mutate/syntax"
)

// droppedAssignment gives the site of an assignment that an edit leaves out: it has no effect
// where the value is there before it. What it is assigned to must not be an object that may
// do something of its own then.
func (p *placer) droppedAssignment(n *syntax.Node, e Edit) (Site, bool) {
	for n != nil && !n.Is("expression_statement") && e.Contains(n.Span) {
		n = n.Parent
	}
	if n == nil || !n.Is("expression_statement") || n.Bad || strings.Trim(e.New, "; ") != "" || !isEvaluated(n) {
		return Site{}, false
	}
	parts := n.NamedChildren()
	if len(parts) != 1 || !parts[0].Is("assignment_expression") || !e.Contains(parts[0].Span) || !n.Contains(e.Span) {
		return Site{}, false
	}
	left, right := parts[0].Child("left"), parts[0].Child("right")
	if left == nil || right == nil || !p.isPure(left) || !p.isPure(right) || right.Len() > longestSite || left.Len() > longestSite {
		return Site{}, false
	}
	s := siting{placer: p, edit: Edit{Span: right.Span}}
	at, ok := s.site(right)
	at.changed = p.heldBy(left)
	return at, ok && at.changed != "" && s.isOnePiece(left)
}

// heldBy gives the expression of what a variable, a property of $this or an element of an
// array holds; "" for what else may be assigned to.
func (p *placer) heldBy(left *syntax.Node) string {
	switch left.Kind {
	case "variable_name":
		return p.file.Text(left)
	case "member_access_expression":
		if p.file.Text(left.Child("object")) == "$this" && left.Child("name").Is("name") {
			return observerClass + "property(__CLASS__,'" + p.file.Text(left.Child("name")) + "'," + p.file.Text(left) + ")"
		}
	case "subscript_expression":
		parts := left.NamedChildren()
		if len(parts) != 2 {
			return ""
		}
		if array := p.heldBy(parts[0]); array != "" {
			return observerClass + "elements(" + array + ")" + string(p.file.Src[parts[0].End:left.End])
		}
	}
	return ""
}

// searches are the functions of regular expressions that can be called once more, with the
// most arguments that they may have for that; those with matches have them third.
var searches = map[string]int{"preg_match": 5, "preg_match_all": 5, "preg_replace": 4, "preg_split": 4}

// searching gives the site that a call of such a function is; inner is the argument that has
// the change.
func (s *siting) searching(n, inner *syntax.Node) (Site, bool) {
	if !n.Is("function_call_expression") || len(s.operands) > 0 {
		return Site{}, false
	}
	name := s.file.Text(n.Child("function"))
	most := searches[strings.ToLower(strings.TrimPrefix(name, `\`))]
	arguments, ok := operandsOf(n)
	if !ok || most == 0 || len(arguments) > most {
		return Site{}, false
	}
	function := "search"
	for i, a := range arguments {
		if i == 2 && most == 5 {
			function = "matches"
			if !a.Is("variable_name") || a == inner {
				return Site{}, false
			}
			continue
		}
		if !s.isPure(a) || len(arguments) > 2 && most == 5 && s.mentions(a, s.file.Text(arguments[2])) {
			return Site{}, false
		}
	}
	at, ok := s.site(n)
	if at.Truth { // the matches count as well
		at.Truth = false
	}
	opening := n.First("arguments").Start + 1
	at.changed = observerClass + function + "('" + quoted.Replace(name) + "'," + string(s.file.Src[opening:s.edit.Start]) + s.edit.New + string(s.file.Src[s.edit.End:n.End])
	return at, ok && !strings.Contains(at.changed, "\n") && n.First("arguments").First("(") != nil
}

func (s *siting) mentions(n *syntax.Node, variable string) (found bool) {
	n.Walk(func(c *syntax.Node) bool {
		found = found || c.Is("variable_name") && s.file.Text(c) == variable
		return !found
	})
	return found
}
