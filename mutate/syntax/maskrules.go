package syntax

import (
	"slices"
	"strings"
)

// maskRules are tried at every significant token. Each knows one construct
// that the grammar cannot read, and leaves everything else alone. What is
// masked stays valid PHP or at least valid to the grammar, of the same length.
var maskRules = []func(m *masker, i int){
	maskEnumConst, maskTypedConst, maskConstName, maskConstAttribute, maskPromotion, maskVoid, maskPipe,
	maskClone, maskExit, maskNestedHeredoc, maskHeredocStart, maskNowdoc, maskHalt, maskGroupUse,
	maskDefaultComma, maskSwitchSemicolon, maskTraitFinal, maskInsteadOf, maskNames, maskEchoTag,
	maskUnary, maskShortTag, maskDeclare,
}

// modifiers may stand in front of a member or a promoted parameter.
var modifiers = []string{"T_PUBLIC", "T_PROTECTED", "T_PRIVATE", "T_PUBLIC_SET", "T_PROTECTED_SET", "T_PRIVATE_SET", "T_READONLY", "T_FINAL", "T_STATIC", "T_ABSTRACT", "T_VAR"}

// firstModifier walks from a keyword back over modifiers.
func (m *masker) firstModifier(i int) int {
	for slices.Contains(modifiers, m.kind(i-1)) {
		i--
	}
	return i
}

// "const X = 1;" in an enum => "case  X = 1;", which may hold any expression.
// Several in one statement cannot be kept.
func maskEnumConst(m *masker, i int) {
	if m.kind(i) != "T_CONST" || m.name(i) {
		return
	}
	if in := m.within(i); in < 0 || m.role[in] != roleEnum {
		return
	}
	end := m.until(i, ";")
	eq := m.until(i, "=")
	if end == len(m.sig) || eq > end {
		return
	}
	first := m.firstModifier(i)
	whole := Span{m.sig[first].Start, m.sig[end].End}
	if m.until(eq, ",") < end {
		m.blank(whole)
		m.mark(whole, "constants of an enum")
		return
	}
	m.blank(Span{whole.Start, m.sig[eq-1].Start})
	m.put(m.sig[i].Start, "case ")
	m.mark(Span{m.sig[i].Start, m.sig[eq-1].End}, "constant of an enum", "enum_case")
}

// "const self X = ..." => "const      X = ...".
func maskTypedConst(m *masker, i int) {
	if m.kind(i) == "T_CONST" && !m.name(i) && m.text(i+1) == "self" && m.kind(i+2) != "=" {
		m.blank(m.sig[i+1].Span)
		m.mark(m.sig[i+1].Span, "type of a constant")
	}
}

// "const CALLABLE = 1" => "const xALLABLE = 1", for all names that are
// keywords: the grammar takes some of them for types.
func maskConstName(m *masker, i int) {
	if m.kind(i) == "T_CONST" && !m.name(i) && m.kind(i+1) != "T_STRING" && m.kind(i+2) == "=" {
		m.put(m.sig[i+1].Start, "x")
	}
}

// "#[A] const X = 1;" outside classes => "     const X = 1;".
func maskConstAttribute(m *masker, i int) {
	if m.kind(i) != "T_CONST" || m.kind(i-1) != "]" {
		return
	}
	if in := m.within(i); in >= 0 && (m.role[in] == roleClass || m.role[in] == roleEnum) {
		return
	}
	for end := i - 1; m.kind(end) == "]" && m.pair[end] >= 0 && m.kind(m.pair[end]) == "T_ATTRIBUTE"; end = m.pair[end] - 1 {
		s := Span{m.sig[m.pair[end]].Start, m.sig[end].End}
		m.blank(s)
		m.mark(s, "attribute of a constant")
	}
}

// "public private(set) T $x" => "public              T $x" and
// "final T $x" => "      T $x" in a parameter list.
func maskPromotion(m *masker, i int) {
	if !slices.Contains(modifiers, m.kind(i)) {
		return
	}
	if in := m.within(i); in < 0 || m.role[in] != roleParams {
		return
	}
	const kind = "property_promotion_parameter"
	switch m.kind(i) {
	case "T_FINAL":
		m.blank(m.sig[i].Span)
		m.mark(m.sig[i].Span, "final parameter")
		m.falsify(i+1, kind, "simple_parameter")
	case "T_PUBLIC", "T_PROTECTED", "T_PRIVATE", "T_PUBLIC_SET", "T_PROTECTED_SET", "T_PRIVATE_SET":
		s := m.sig[i].Span
		after := i + 1
		if m.kind(i+1) == "(" && m.text(i+2) == "set" && m.kind(i+3) == ")" {
			s.End, after = m.sig[i+3].End, i+4
		} else if !strings.HasSuffix(m.kind(i), "_SET") {
			return
		}
		if m.firstModifier(i) == i && !slices.Contains(modifiers, m.kind(after)) {
			return // the grammar knows it where it stands alone
		}
		m.blank(s)
		m.mark(s, "visibility of setting", kind)
		m.falsify(after, kind)
	}
}

// "(void) f();" => "       f();".
func maskVoid(m *masker, i int) {
	s := m.sig[i].Span
	next := i + 1
	switch {
	case m.kind(i) == "T_VOID_CAST":
	case m.kind(i) == "(" && m.text(i+1) == "void" && m.kind(i+2) == ")" && slices.Contains([]string{";", "{", "}", "T_OPEN_TAG"}, m.kind(i-1)):
		s.End, next = m.sig[i+2].End, i+3
	default:
		return
	}
	m.blank(s)
	m.mark(s, "(void)")
	m.falsify(next, "expression_statement")
}

// "$a |> f(...)" => "$a .  f(...)", whose shape is nearly the same: it binds a
// little tighter, so that no binary expression around it is to be trusted.
func maskPipe(m *masker, i int) {
	s := m.sig[i].Span
	if m.kind(i) == "|" && m.kind(i+1) == ">" && m.sig[i+1].Start == s.End {
		s.End++
	} else if m.kind(i) != "T_PIPE" {
		return
	}
	m.put(s.Start, ". ")
	m.marks = append(m.marks, mark{Span: s, reason: "pipe operator", kinds: []string{"binary_expression"}, chain: true})
}

// "clone($a, [...])", "clone(...)" => "klone($a, [...])", "klone(...)".
func maskClone(m *masker, i int) {
	if m.kind(i) != "T_CLONE" || m.name(i) || m.kind(i+1) != "(" || m.pair[i+1] < 0 {
		return
	}
	named := m.kind(i+2) == "T_STRING" && m.kind(i+3) == ":"
	if !named && m.kind(i+2) != "T_ELLIPSIS" && m.until(i+2, ",") > m.pair[i+1] {
		return
	}
	m.put(m.sig[i].Start, "klone")
	m.mark(m.sig[i].Span, "clone with several arguments", "function_call_expression")
}

// endsExit are the tokens that may follow "exit(...)" for the grammar.
var endsExit = []string{";", ",", ")", "]", "}", ":", "T_CLOSE_TAG", ""}

// "exit(status: 1)" => "exit(        1)"; "exit(1) + 2" => "ekit(1) + 2".
func maskExit(m *masker, i int) {
	if m.kind(i) != "T_EXIT" || m.name(i) || m.kind(i+1) != "(" || m.pair[i+1] < 0 {
		return
	}
	if m.kind(i+2) == "T_STRING" && m.kind(i+3) == ":" {
		s := Span{m.sig[i+2].Start, m.sig[i+3].End}
		m.blank(s)
		m.mark(s, "named argument of "+m.text(i))
		m.falsify(i, "exit_statement", "function_call_expression")
	}
	if !slices.Contains(endsExit, m.kind(m.pair[i+1]+1)) {
		m.put(m.sig[i].Start, "ekit")
	}
}

// A heredoc or nowdoc inside the braces of a heredoc => "”" and spaces.
func maskNestedHeredoc(m *masker, i int) {
	if m.kind(i) != "T_START_HEREDOC" || m.sig[i].Start < m.nested {
		return
	}
	in := m.within(i)
	for in >= 0 && m.kind(in) != "T_CURLY_OPEN" && m.kind(in) != "T_DOLLAR_OPEN_CURLY_BRACES" {
		in = m.within(in)
	}
	if in < 0 {
		return
	}
	end := i
	for open := 0; end < len(m.sig); end++ {
		switch m.kind(end) {
		case "T_START_HEREDOC":
			open++
		case "T_END_HEREDOC":
			open--
		}
		if open == 0 {
			break
		}
	}
	if end == len(m.sig) {
		return
	}
	s := Span{m.sig[i].Start, m.sig[end].End}
	for k := s.Start; k < s.End; k++ {
		m.out[k] = ' '
	}
	m.put(s.Start, "'")
	m.put(s.End-1, "'")
	m.silent = true
	m.nested = s.End
	m.mark(s, "heredoc inside a heredoc", "string")
}

// "<<< X" => " <<<X", "b<<<X" => " <<<X".
func maskHeredocStart(m *masker, i int) {
	s := m.sig[i].Span
	if m.kind(i) != "T_START_HEREDOC" || s.Start < m.nested {
		return
	}
	arrows := strings.Index(m.text(i), "<<<")
	name := s.Start + arrows + 3
	for name < s.End && (m.src[name] == ' ' || m.src[name] == '\t') {
		name++
	}
	if arrows >= 0 && name > s.Start+3 {
		m.blank(Span{s.Start, name})
		m.put(name-3, "<<<")
		m.marks = append(m.marks, mark{Span: Span{name - 3, name}, reason: "start of a heredoc", kinds: []string{"heredoc", "nowdoc"}, around: true})
	}
}

// A nowdoc whose end is not followed by one of ";,)" => a heredoc with nothing
// to interpolate.
func maskNowdoc(m *masker, i int) {
	if m.kind(i) != "T_START_HEREDOC" || m.sig[i].Start < m.nested || !strings.Contains(m.text(i), "'") {
		return
	}
	end := i + 1
	for end < len(m.sig) && m.kind(end) != "T_END_HEREDOC" {
		end++
	}
	if slices.Contains([]string{";", ",", ")", ""}, m.kind(end+1)) {
		return
	}
	for k := m.sig[i].Start; k < m.sig[i].End; k++ {
		if m.out[k] == '\'' {
			m.out[k] = '"'
		}
	}
	for k := m.sig[i].End; k < m.sig[end].Start; k++ {
		if strings.IndexByte("$`{\\", m.out[k]) >= 0 {
			m.out[k] = '_'
		}
	}
	m.mark(Span{m.sig[i].Start, m.sig[end].End}, "nowdoc inside an expression", "heredoc")
}

// "__halt_compiler(); data" => "__halt_compiler();     ".
func maskHalt(m *masker, i int) {
	if m.kind(i) != "T_HALT_COMPILER" || m.name(i) || m.kind(i+1) != "(" {
		return
	}
	if end := i + 3; end < len(m.sig) {
		m.blank(Span{m.sig[end].End, len(m.src)})
	}
}

// "use A\{B, C,};" => "use A\{B, C };".
func maskGroupUse(m *masker, i int) {
	if m.kind(i) == "," && m.kind(i+1) == "}" && m.role[i+1] == roleUse {
		m.blank(m.sig[i].Span)
	}
}

// "default, => 1" => "default  => 1".
func maskDefaultComma(m *masker, i int) {
	if m.kind(i) == "T_DEFAULT" && m.kind(i+1) == "," && m.kind(i+2) == "T_DOUBLE_ARROW" {
		m.blank(m.sig[i+1].Span)
		m.mark(m.sig[i+1].Span, "comma behind default", "match_default_expression")
	}
}

// "switch ($a) {; case 1:" => "switch ($a) {  case 1:".
func maskSwitchSemicolon(m *masker, i int) {
	first := m.kind(i-1) == "{" && m.role[i-1] == roleSwitch ||
		m.kind(i-1) == ":" && m.kind(i-2) == ")" && m.pair[i-2] > 0 && m.kind(m.pair[i-2]-1) == "T_SWITCH"
	if m.kind(i) == ";" && first {
		m.blank(m.sig[i].Span)
	}
}

// "f as final g;" => "f as       g;", "f as final;" => "f as fina_;".
func maskTraitFinal(m *masker, i int) {
	if m.kind(i) != "T_FINAL" || m.kind(i-1) != "T_AS" {
		return
	}
	if m.kind(i+1) == ";" {
		m.put(m.sig[i].Start, "fina_")
	} else {
		m.blank(m.sig[i].Span)
	}
	m.mark(m.sig[i].Span, "final in a trait rule", "use_as_clause")
}

// "A::f insteadof B, C;" => "A::f insteadof B   ;".
func maskInsteadOf(m *masker, i int) {
	if m.kind(i) != "T_INSTEADOF" {
		return
	}
	if comma, end := m.until(i, ","), m.until(i, ";"); comma < end && end < len(m.sig) {
		s := Span{m.sig[comma].Start, m.sig[end].Start}
		m.blank(s)
		m.mark(s, "list in a trait rule")
		m.falsify(i, "use_instead_of_clause")
	}
}

// Names that the grammar does not take for names: "enum" => "enuk",
// "namespace\A" => "namespac_\A", bytes that are not ASCII => "x". They stay
// names, of the same kind, so nothing needs to be marked.
func maskNames(m *masker, i int) {
	t := m.sig[i]
	switch t.Kind {
	case "T_STRING", "T_VARIABLE", "T_NAME_QUALIFIED", "T_NAME_FULLY_QUALIFIED", "T_NAME_RELATIVE", "T_STRING_VARNAME", "T_NAMESPACE":
	default:
		return
	}
	text := m.text(i)
	if text == "enum" || strings.HasPrefix(text, `enum\`) {
		m.put(t.Start, "enuk")
	}
	if t.Kind == "T_NAME_RELATIVE" || t.Kind == "T_NAMESPACE" && m.kind(i+1) == "T_NS_SEPARATOR" {
		m.put(t.Start, "namespac_")
	}
	for k := t.Start; k < t.End; k++ {
		if m.out[k] >= 0x80 {
			m.out[k] = 'x'
		}
	}
}

// "<?= $a, $b ?>" => "<?= $a; $b ?>".
func maskEchoTag(m *masker, i int) {
	if m.kind(i) != "T_OPEN_TAG_WITH_ECHO" {
		return
	}
	for k := m.until(i+1, ",", ";", "T_CLOSE_TAG"); m.kind(k) == ","; k = m.until(k+1, ",", ";", "T_CLOSE_TAG") {
		m.put(m.sig[k].Start, ";")
		m.mark(m.sig[k].Span, "list in an echo tag", "expression_statement")
		m.falsify(k+1, "expression_statement")
	}
}

// includes are the keywords in front of which the grammar takes no cast.
var includes = []string{"T_INCLUDE", "T_INCLUDE_ONCE", "T_REQUIRE", "T_REQUIRE_ONCE"}

// "(bool) require $f" => "@      require $f", "clone $a = f()" =>
// "print $a = f()".
func maskUnary(m *masker, i int) {
	switch {
	case strings.HasSuffix(m.kind(i), "_CAST") && slices.Contains(includes, m.kind(i+1)):
		m.blank(m.sig[i].Span)
		m.put(m.sig[i].Start, "@")
		m.mark(m.sig[i].Span, "cast of an include", "error_suppression_expression")
	case m.kind(i) == "T_CLONE" && !m.name(i):
		k := i + 1
		for m.kind(k) == "T_CLONE" {
			k++
		}
		if m.kind(k) != "T_VARIABLE" {
			return
		}
		k++
		for {
			if p := m.pair[min(k, len(m.sig)-1)]; p > k {
				k = p + 1
			} else if slices.Contains([]string{"T_OBJECT_OPERATOR", "T_DOUBLE_COLON"}, m.kind(k)) {
				k += 2
			} else {
				break
			}
		}
		if m.kind(k) == "=" {
			m.put(m.sig[i].Start, "print")
			m.mark(m.sig[i].Span, "clone of an assignment", "print_intrinsic")
		}
	}
}

// "<?" where PHP sees no tag => spaces, in HTML.
func maskShortTag(m *masker, i int) {
	if m.kind(i) != "T_INLINE_HTML" {
		return
	}
	for k := m.sig[i].Start; k+1 < m.sig[i].End; k++ {
		if m.out[k] == '<' && m.out[k+1] == '?' {
			m.put(k, "  ")
			m.silent = true
		}
	}
}

// "declare(a=1, b=2)" => "declare(a=1     )".
func maskDeclare(m *masker, i int) {
	if m.kind(i) != "T_DECLARE" || m.kind(i+1) != "(" || m.pair[i+1] < 0 {
		return
	}
	if comma := m.until(i+2, ","); comma < m.pair[i+1] {
		s := Span{m.sig[comma].Start, m.sig[m.pair[i+1]].Start}
		m.blank(s)
		m.mark(s, "list of directives", "declare_statement")
	}
}

// maskNUL puts spaces over NUL bytes, which end the text for the grammar's
// scanner in comments, in single quotes and in HTML.
func (m *masker) maskNUL() {
	for i, c := range m.out {
		if c == 0 {
			m.out[i] = ' '
		}
	}
}
