package operators

import (
	"slices"
	"strings"

	"assay/mutate"
	"assay/mutate/syntax"
)

// functionKinds are the declarations that "return", "yield" and local
// variables belong to.
var functionKinds = []string{
	"function_definition", "method_declaration", "anonymous_function", "arrow_function", "property_hook",
}

// loopKinds and, for "break" and "continue", switch_statement are what a jump
// may leave.
var loopKinds = []string{"foreach_statement", "for_statement", "while_statement", "do_statement"}

// builtin gives the lower-case name of the global function that a call names:
// min(...) and \min(...), in any case of letters. It is "" for Acme\min(...),
// for methods, for names that a "use function" of the file gives another
// meaning, and for everything that is not a call by name.
func builtin(f *syntax.File, call *syntax.Node) string {
	if !call.Is("function_call_expression") {
		return ""
	}
	fn := call.Child("function")
	text := strings.ToLower(f.Text(fn))
	switch {
	case fn.Is("qualified_name"):
		name, ok := strings.CutPrefix(text, `\`)
		if !ok || strings.Contains(name, `\`) {
			return ""
		}
		return name
	case fn.Is("name") && !isImportedFunction(f, text):
		return text
	}
	return ""
}

// isImportedFunction reports whether "use function Acme\name" gives another
// meaning to the name of a global function, which is in lower case.
func isImportedFunction(f *syntax.File, name string) bool {
	return f.Memo(importedFunctions{}, func() any {
		imported := map[string]bool{}
		for _, decl := range useDeclarations(f) {
			if !typedUse(decl) {
				continue
			}
			for _, u := range useClauses(f, decl) {
				if u.kind == "function" && strings.Contains(u.full, `\`) {
					imported[strings.ToLower(u.alias)] = true
				}
			}
		}
		return imported
	}).(map[string]bool)[name]
}

type importedFunctions struct{}

// typedUse reports whether a "use" says "function" or "const" anywhere.
func typedUse(decl *syntax.Node) bool {
	for _, list := range []*syntax.Node{decl, decl.Child("body")} {
		if list.Child("type") != nil {
			return true
		}
		for _, c := range list.NamedChildren() {
			if c.Child("type") != nil {
				return true
			}
		}
	}
	return false
}

// An imported name is one clause of a "use" at the top of a file.
type imported struct{ kind, full, alias string } // kind: "", "function", "const"

// imports lists the "use" clauses of a file.
func imports(f *syntax.File) []imported {
	return f.Memo(importsOfFile{}, func() any {
		var out []imported
		for _, decl := range useDeclarations(f) {
			out = append(out, useClauses(f, decl)...)
		}
		return out
	}).([]imported)
}

type importsOfFile struct{}

// useDeclarations gives the "use" statements of a file, wherever its
// namespaces begin.
func useDeclarations(f *syntax.File) []*syntax.Node {
	return f.Memo(usesOfFile{}, func() any { return findUseDeclarations(f) }).([]*syntax.Node)
}

type usesOfFile struct{}

func findUseDeclarations(f *syntax.File) []*syntax.Node {
	var out []*syntax.Node
	for _, n := range f.Root.Children {
		switch n.Kind {
		case "namespace_use_declaration":
			out = append(out, n)
		case "namespace_definition":
			if body := n.Child("body"); body != nil {
				for _, c := range body.Children {
					if c.Is("namespace_use_declaration") {
						out = append(out, c)
					}
				}
			}
		}
	}
	return out
}

func useClauses(f *syntax.File, decl *syntax.Node) []imported {
	prefix, kind := "", strings.ToLower(f.Text(decl.Child("type")))
	clauses := decl.Children
	if group := decl.Child("body"); group != nil {
		prefix = f.Text(decl.First("namespace_name")) + `\`
		clauses = group.Children
	}
	var out []imported
	for _, c := range clauses {
		if !c.Is("namespace_use_clause") {
			continue
		}
		full := strings.TrimPrefix(prefix+f.Text(c.First("qualified_name", "name")), `\`)
		alias := full[strings.LastIndexByte(full, '\\')+1:]
		if a := c.Child("alias"); a != nil {
			alias = f.Text(a)
		}
		k := kind
		if t := c.Child("type"); t != nil {
			k = strings.ToLower(f.Text(t))
		}
		out = append(out, imported{k, full, alias})
	}
	return out
}

// className gives the full name, without a leading backslash, of the class
// that a name stands for; "" when the node is no plain name.
func className(f *syntax.File, n *syntax.Node) string {
	text := f.Text(n)
	switch {
	case n.Is("qualified_name") && strings.HasPrefix(text, `\`):
		return text[1:]
	case !n.Is("name", "qualified_name"):
		return ""
	}
	head, rest, _ := strings.Cut(text, `\`)
	for _, u := range imports(f) {
		if u.kind == "" && strings.EqualFold(u.alias, head) {
			return strings.TrimSuffix(u.full+`\`+rest, `\`)
		}
	}
	if ns := f.Scope(n).Namespace; ns != "" {
		return ns + `\` + text
	}
	return text
}

// plainArgs gives the arguments of a call in order. ok is false when one is
// named, spread or the "..." of a first-class callable: then their places are
// not known.
func plainArgs(call *syntax.Node) (args []*syntax.Node, ok bool) {
	list := call.Child("arguments")
	if list == nil {
		list = call.First("arguments")
	}
	for _, c := range list.NamedChildren() {
		if !c.Is("argument") || c.Child("name") != nil || c.First("variadic_unpacking") != nil {
			return nil, false
		}
		args = append(args, c)
	}
	return args, list != nil
}

// callTo gives the name and arguments of a call to a global function with
// plain arguments, at least least of them; ok is false for anything else.
func callTo(f *syntax.File, n *syntax.Node, least int) (name string, args []*syntax.Node, ok bool) {
	if name = builtin(f, n); name == "" {
		return "", nil, false
	}
	args, ok = plainArgs(n)
	return name, args, ok && len(args) >= least
}

// renamed replaces a called function's name and keeps a leading backslash.
func renamed(f *syntax.File, call *syntax.Node, to string) []mutate.Edit {
	fn := call.Child("function")
	start := fn.Start
	if f.Src[start] == '\\' {
		start++
	}
	return []mutate.Edit{{Span: syntax.Span{Start: start, End: fn.End}, New: to}}
}

// renames is a rule that gives called functions another name by a table. A
// call with more than most arguments is left alone; 0 stands for any number.
func renames(most int, table map[string]string) applyFunc {
	return func(f *syntax.File, n *syntax.Node) []mutate.Edit {
		name, args, ok := callTo(f, n, 0)
		to := table[name]
		if !ok || to == "" || most > 0 && len(args) > most {
			return nil
		}
		return renamed(f, n, to)
	}
}

// both makes a table of names work in both directions.
func both(table map[string]string) map[string]string {
	out := map[string]string{}
	for from, to := range table {
		out[from], out[to] = to, from
	}
	return out
}

// dereferenced are the kinds of expressions that "->", "[" or "(" may follow.
var dereferenced = []string{
	"variable_name", "dynamic_variable_name", "member_access_expression", "nullsafe_member_access_expression",
	"scoped_property_access_expression", "subscript_expression", "function_call_expression",
	"member_call_expression", "nullsafe_member_call_expression", "scoped_call_expression",
	"parenthesized_expression", "array_creation_expression",
}

// closed are those that hold together wherever else they stand.
var closed = slices.Concat(dereferenced, []string{
	"string", "encapsed_string", "heredoc", "nowdoc", "integer", "float", "boolean", "null",
	"class_constant_access_expression", "name", "qualified_name", "match_expression",
})

// delimited are parents between whose own tokens any expression may stand,
// except the loosest.
var delimited = []string{
	"return_statement", "expression_statement", "echo_statement", "sequence_expression",
	"array_element_initializer", "assignment_expression", "augmented_assignment_expression",
	"match_conditional_expression", "match_default_expression", "match_condition_list", "arrow_function",
	"const_element", "property_element", "case_statement",
}

// hold gives the text of an expression, in parentheses where it could fall
// apart when it stands in the place of at.
func hold(f *syntax.File, inner, at *syntax.Node) string {
	text := f.Text(inner)
	parent := at.Parent
	first := len(parent.NamedChildren()) > 0 && parent.NamedChildren()[0] == at
	deref := at.Field == "object" || at.Field == "scope" || at.Field == "function" ||
		first && parent.Is("subscript_expression")
	switch {
	case inner.Is(dereferenced...):
		return text
	case deref:
		return "(" + text + ")"
	case inner.Is(closed...), parent.Is("argument", "parenthesized_expression"):
		return text
	case inner.Is("binary_expression") && len(operatorText(f, inner)) > 1 && operatorText(f, inner)[0] >= 'a',
		!inner.Is("binary_expression", "unary_op_expression", "cast_expression", "conditional_expression",
			"object_creation_expression"):
		return "(" + text + ")" // and, or, xor, assignments, yield, arrow functions and the like
	case parent.Is(delimited...) && at.Field != "left":
		return text
	}
	return "(" + text + ")"
}

// keep replaces a node by a part of it.
func keep(f *syntax.File, outer, inner *syntax.Node) []mutate.Edit {
	return fit(f, outer.Span, hold(f, inner, outer))
}

// fit is the edit that puts an expression in the place of a span, with a space
// where it would grow together with what stands next to it.
func fit(f *syntax.File, span syntax.Span, text string) []mutate.Edit {
	if text != "" && span.Start > 0 && grows(f.Src[span.Start-1], text[0]) {
		text = " " + text
	}
	if text != "" && span.End < len(f.Src) && grows(text[len(text)-1], f.Src[span.End]) {
		text += " "
	}
	return []mutate.Edit{{Span: span, New: text}}
}

// grows reports whether two neighbouring bytes of different tokens would be
// read as one: two letters, two signs, a dot and a digit.
func grows(a, b byte) bool {
	switch {
	case a == '/' && (b == '/' || b == '*'): // a comment
		return true
	case wordByte(a) && (wordByte(b) || b == '\\'), a == '.' && b >= '0' && b <= '9', a >= '0' && a <= '9' && b == '.':
		return true
	}
	return a == b && strings.IndexByte("+-&|.<>", a) >= 0
}

func wordByte(b byte) bool {
	return b == '_' || b >= 0x80 || b >= '0' && b <= '9' || b|0x20 >= 'a' && b|0x20 <= 'z'
}

// negation gives the text of an expression's opposite.
func negation(f *syntax.File, n *syntax.Node) string {
	if n.Is(closed...) || n.Is("cast_expression") {
		return "!" + f.Text(n)
	}
	return "!(" + f.Text(n) + ")"
}

// dropStatement replaces a statement by an empty one, which is valid wherever
// a statement is. Behind "<?=" there is none: nothing is done. Nor in "if ($x)
// go() ?>", where the tag is part of the statement and of the if as well.
func dropStatement(f *syntax.File, n *syntax.Node) []mutate.Edit {
	if shownByTag(f, n) || f.Src[n.End-1] != ';' && n.Field == "body" {
		return nil
	}
	return fit(f, n.Span, ";")
}

// shownByTag reports whether a statement is the expression of "<?= ... ?>".
func shownByTag(f *syntax.File, n *syntax.Node) bool {
	end := n.Start
	for end > 0 && strings.IndexByte(" \t\r\n", f.Src[end-1]) >= 0 {
		end--
	}
	return strings.HasSuffix(string(f.Src[max(0, end-3):end]), "<?=")
}

// following gives the next statement in the same block, or nil.
func following(n *syntax.Node) *syntax.Node {
	for s := n.Next(); s != nil; s = s.Next() {
		if s.Named {
			return s
		}
	}
	return nil
}

// last reports whether nothing runs between a statement and the end of body,
// which is a function's, a loop's or a switch case's.
func last(n, body *syntax.Node) bool {
	for p := n; p != body; p = p.Parent {
		if p.Parent == nil {
			return false
		}
		switch p.Parent.Kind {
		case "compound_statement", "colon_block", "case_statement", "default_statement":
			if following(p) != nil {
				return false
			}
		case "if_statement", "else_clause", "else_if_clause", "try_statement", "catch_clause":
			if p.Parent.First("text_interpolation") != nil {
				return false
			}
		case "switch_block":
			if following(p) != nil {
				return false
			}
		case "switch_statement":
		default:
			if p.Parent != body {
				return false
			}
		}
	}
	return true
}

// ends reports whether a statement hands control elsewhere, so that nothing
// behind it in its block can run.
func ends(f *syntax.File, n *syntax.Node) bool {
	switch n.Kind {
	case "return_statement", "break_statement", "continue_statement", "goto_statement", "exit_statement":
		return true
	case "expression_statement":
		e := n.NamedChildren()
		if len(e) != 1 {
			return false
		}
		name := strings.ToLower(f.Text(e[0]))
		if e[0].Is("function_call_expression") {
			name = builtin(f, e[0])
		}
		return e[0].Is("throw_expression") || name == "die" || name == "exit"
	case "compound_statement":
		s := n.NamedChildren()
		return len(s) > 0 && ends(f, s[len(s)-1])
	}
	return false
}

// yields gives the yield expressions of a function itself, not of functions
// within it.
func yields(fn *syntax.Node) []*syntax.Node {
	var out []*syntax.Node
	if fn == nil {
		return nil
	}
	fn.Walk(func(n *syntax.Node) bool {
		if n.Is("yield_expression") {
			out = append(out, n)
		}
		return n == fn || !n.Is(functionKinds...) && !n.Is("anonymous_class")
	})
	return out
}

// holdsYield reports whether an expression or statement contains a yield of
// its own function: without it the function may be no generator any more.
func holdsYield(n *syntax.Node) bool { return len(yields(n)) > 0 }

// holdsLabel reports whether a goto may lead into a node: without the label
// PHP refuses the file.
func holdsLabel(n *syntax.Node) bool {
	found := false
	n.Walk(func(c *syntax.Node) bool {
		found = found || c.Is("named_label_statement")
		return !found
	})
	return found
}

// catchesVariable gives the name of the variable, "$e", that the nearest catch
// around a node names, or "".
func catchesVariable(f *syntax.File, n *syntax.Node) string {
	return f.Text(n.Up("catch_clause").Child("name"))
}
