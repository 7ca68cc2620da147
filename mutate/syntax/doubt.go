package syntax

import "strings"

// markDoubtful marks the nodes whose shape is known to differ from what PHP
// means, so that no operator works on them. Each was found by comparing this
// grammar's spans with nikic/PHP-Parser's and with PHP 8.2 itself:
//
//	-$a ** 2                 tree: (-$a) ** 2          PHP: -($a ** 2)
//	(int) $x = f()           tree: ((int) $x) = f()    PHP: (int) ($x = f())
//	@$a instanceof B         tree: @($a instanceof B)  PHP: (@$a) instanceof B
//	$a ** $b instanceof C    nests differently; so do chained instanceofs
//	$a = &$b + $c            tree: $a = &($b + $c)     PHP: ($a = &$b) + $c
//	print $a and $b          tree: print ($a and $b)   PHP: (print $a) and $b
func (f *File) markDoubtful() {
	halt := f.halt
	f.Root.Walk(func(n *Node) bool {
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
					c.Children[len(c.Children)-1].Bad = true
				}
			}
		}
		return true
	})
	if halt < len(f.Src) {
		f.Damage = append(f.Damage, Damage{Span{halt, len(f.Src)}, haltReason})
	}
}

// echoed reports whether a node is the expression of a "<?= ... ?>" tag, which
// the grammar takes for a statement. It cannot be dropped like one.
func (f *File) echoed(n *Node) bool {
	prev := n.Prev()
	return n.Kind == "expression_statement" && prev.Is("php_tag", "text_interpolation") && strings.HasSuffix(f.Text(prev), "<?=")
}

func (f *File) doubtful(n *Node) bool {
	switch n.Kind {
	case "binary_expression":
		op := strings.ToLower(f.Text(n.Child("operator")))
		left, right := n.Child("left"), n.Child("right")
		switch op {
		case "**":
			return left.Is("unary_op_expression", "cast_expression", "error_suppression_expression")
		case "instanceof":
			return left.Is("binary_expression") || right.Is("binary_expression")
		}
	case "unary_op_expression", "error_suppression_expression":
		inner := n.NamedChildren()
		if len(inner) == 1 && inner[0].Is("binary_expression") && f.Text(n.Children[0]) != "!" {
			op := strings.ToLower(f.Text(inner[0].Child("operator")))
			return op == "instanceof"
		}
	case "assignment_expression", "augmented_assignment_expression":
		return n.Child("left").Is("cast_expression", "clone_expression")
	case "reference_assignment_expression":
		return n.Child("right").Is("binary_expression", "conditional_expression")
	case "print_intrinsic", "yield_expression":
		for _, c := range n.Children {
			if c.Is("array_element_initializer") { // yield $key => $value
				c = c.Children[len(c.Children)-1]
			}
			if c.Is("binary_expression") {
				switch strings.ToLower(f.Text(c.Child("operator"))) {
				case "and", "or", "xor":
					return true
				}
			}
		}
	}
	return false
}
