package syntax

import (
	"slices"
	"strings"
)

const doubtReason = "operators that this grammar puts together in another order than PHP"

// settle gives the nodes the shape that PHP means where the grammar's is known to be
// another. Each was found by comparing this grammar's spans with nikic/PHP-Parser's
// and with PHP 8.2 itself:
//
//	-$a ** 2                 tree: (-$a) ** 2          PHP: -($a ** 2)
//	(int) $x = f()           tree: ((int) $x) = f()    PHP: (int) ($x = f())
//	@$a instanceof B         tree: @($a instanceof B)  PHP: (@$a) instanceof B
//	print $a and $b          tree: print ($a and $b)   PHP: (print $a) and $b
//	$a = &$b + $c            tree: $a = &($b + $c)     PHP: ($a = &$b) + $c
func (f *File) settle() {
	var all []*Node
	f.Walk(func(n *Node) bool {
		if n.Is("binary_expression", "assignment_expression", "augmented_assignment_expression", "print_intrinsic", "yield_expression", "reference_assignment_expression") {
			all = append(all, n)
		}
		return true
	})
	for _, n := range slices.Backward(all) {
		switch left := n.Child("left"); {
		case n.Bad:
		case n.Is("assignment_expression", "augmented_assignment_expression"):
			if left.Is("cast_expression") {
				n.sink()
			}
		case n.Is("print_intrinsic", "yield_expression"):
			f.rise(n)
		case n.Is("reference_assignment_expression"):
			f.bind(n)
		case f.operator(n) == "**" && left.Is(prefixes...):
			n.sink()
		case f.operator(n) == "instanceof":
			f.wrap(n)
		}
	}
}

// operator is the operator of a binary expression in lower case.
func (f *File) operator(n *Node) string {
	if !n.Is("binary_expression") {
		return ""
	}
	return strings.ToLower(f.Text(n.Child("operator")))
}

var prefixes = []string{"unary_op_expression", "cast_expression", "error_suppression_expression"}

// operand is what a prefix stands in front of.
func (n *Node) operand() *Node {
	inner := n.NamedChildren()
	if len(inner) == 0 {
		return nil
	}
	return inner[len(inner)-1]
}

// sink makes "(-a) ** b" "-(a ** b)", for any number of prefixes.
func (n *Node) sink() {
	top := n.Child("left")
	last := top
	for last.operand().Is(prefixes...) {
		last = last.operand()
	}
	inner := last.operand()
	if inner == nil {
		return
	}
	n.replace(top)
	at := slices.Index(n.Children, top)
	inner.replace(n)
	inner.Field, n.Start = "left", inner.Start
	children := slices.Clone(n.Children)
	children[max(at, 0)] = inner
	n.adopt(children)
}

// wrap makes "-(a instanceof B)" "(-a) instanceof B", for any number of prefixes but
// "!", which binds less tightly.
func (f *File) wrap(n *Node) {
	top := n
	for top.Parent.Is("unary_op_expression", "error_suppression_expression") && top.Parent.operand() == top && f.Text(top.Parent.Children[0]) != "!" {
		top = top.Parent
	}
	if top == n {
		return
	}
	f.exchange(top, n, n.Child("left"))
}

// low are the operators that bind less tightly than an assignment.
var low = []string{"and", "or", "xor"}

// rise makes "print (a and b)" "(print a) and b".
func (f *File) rise(n *Node) {
	inner := n.operand()
	if inner.Is("array_element_initializer") { // yield $key => $value
		inner = inner.operand()
	}
	if !slices.Contains(low, f.operator(inner)) {
		return
	}
	top := n
	for top.Parent.Is("assignment_expression", "augmented_assignment_expression") && top.Field == "right" {
		top = top.Parent
	}
	if !top.Parent.Is(around...) {
		return
	}
	first := inner.Child("left")
	for slices.Contains(low, f.operator(first)) {
		first = first.Child("left")
	}
	f.exchange(top, inner, first)
}

// around are the kinds of nodes in which an operator may bind as little as it likes.
var around = []string{"expression_statement", "parenthesized_expression", "argument", "return_statement", "echo_statement"}

// bind makes "a = &(b + c)" "(a = &b) + c".
func (f *File) bind(n *Node) {
	first := n.Child("right")
	for first.Is("binary_expression", "conditional_expression") {
		next := first.Child("left")
		if next == nil {
			next = first.Child("condition")
		}
		first = next
	}
	if inner := n.Child("right"); first != nil && first != inner && n.Parent.Is(around...) {
		f.exchange(n, inner, first)
	}
}

// exchange puts b, which is below a, in the place of a, and a in the place of c, which
// is the first operand in b; a gets c for b.
func (f *File) exchange(a, b, c *Node) {
	holder, field, first := b.Parent, b.Field, c.Field
	over := c.Parent
	for p := holder; ; p = p.Parent { // they end where c does
		p.End = c.End
		if p == a {
			break
		}
	}
	at, slot := b.Index, c.Index
	a.replace(b)
	c.Field, c.Parent, c.Index = field, holder, at
	holder.Children[at] = c
	a.Field, a.Parent, a.Index = first, over, slot
	over.Children[slot] = a
	for p := over; ; p = p.Parent { // they begin where a does
		p.Start = a.Start
		if p == b {
			break
		}
	}
}

// markDoubtful marks the nodes whose shape is not PHP's, and those that are no
// statements, so that no operator works on them:
//
//	$a ** $b instanceof C    nests differently; so do chained instanceofs
func (f *File) markDoubtful() {
	halt := f.halt
	f.Walk(func(n *Node) bool {
		if n.End > halt && n.Parent != nil {
			n.Bad = true
		}
		if f.echoed(n) {
			n.Bad = true // but not what is in it
		}
		if !n.Bad && f.doubtful(n) {
			n.Bad = true
			for _, c := range n.Children {
				c.Bad = true
				if c.Is("array_element_initializer") { // yield $key => $value
					c.operand().Bad = true
				}
			}
			f.Doubts = append(f.Doubts, Damage{n.Span, doubtReason})
		}
		return true
	})
	if halt < len(f.Src) {
		f.Damage = append(f.Damage, Damage{Span{halt, len(f.Src)}, haltReason})
	}
}

// echoed reports whether a node is an expression of a "<?= ... ?>" tag, which
// the grammar takes for a statement. It cannot be dropped like one.
func (f *File) echoed(n *Node) bool {
	prev := n.Prev()
	return n.Kind == "expression_statement" && (prev.Is("php_tag", "text_interpolation") && strings.HasSuffix(f.Text(prev), "<?=") || prev.Is(","))
}

func (f *File) doubtful(n *Node) bool {
	switch n.Kind {
	case "binary_expression":
		left, right := n.Child("left"), n.Child("right")
		switch f.operator(n) {
		case "**":
			return left.Is(prefixes...) || f.operator(right) == "instanceof"
		case "instanceof":
			return left.Is("binary_expression") || right.Is("binary_expression")
		}
	case "unary_op_expression", "error_suppression_expression":
		return f.operator(n.operand()) == "instanceof" && f.Text(n.Children[0]) != "!"
	case "assignment_expression", "augmented_assignment_expression":
		return n.Child("left").Is("cast_expression", "clone_expression")
	case "reference_assignment_expression":
		return n.Child("right").Is("binary_expression", "conditional_expression")
	case "print_intrinsic", "yield_expression":
		inner := n.operand()
		if inner.Is("array_element_initializer") { // yield $key => $value
			inner = inner.operand()
		}
		return slices.Contains(low, f.operator(inner))
	}
	return false
}
