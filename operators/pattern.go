package operators

import (
	"strconv"
	"strings"

	"assay/mutate"
	"assay/mutate/syntax"
)

// The pattern family changes one token of a regular expression that is written
// where a preg_ function is called. What the tokens are is in pattern_read.go.
func init() {
	for _, op := range []*mutate.Operator{
		{
			ID: "pattern/anchor-dropped",
			Doc: `An anchor of a regular expression is dropped: ^, $, \A, \z or \b.

No test has a string with something before (or behind) the part that matches. Take a string that matches, put an "x" and a blank in front of it or behind it, and assert that it is refused.`,
			Input:   "Add a case with a string that matches only without the anchor.",
			Outcome: "Assert the outcome for a string that matches only without the anchor.",
			Hint:    anchorHint,
			Before:  `preg_match('/^\d/', $line);`,
			After:   `preg_match('/\d/', $line);`,
			Apply:   onPatterns(anchorDropped),
		},
		{
			ID: "pattern/modifier-dropped",
			Doc: `A modifier of a regular expression is dropped.

No test needs this modifier. For i, match a string in the other case; for u, one with 'é' or '港'; for m and s, one of several lines; for D, one that ends with a newline.`,
			Input:   "Add a case that needs this modifier. For i, a string in the other case; for u, one with 'é' or '港'; for m and s, one of several lines; for D, one that ends with a newline.",
			Outcome: "Assert the outcome for a string that needs this modifier.",
			Hint:    modifierHint,
			Before:  `preg_match('/pier/i', $line);`,
			After:   `preg_match('/pier/', $line);`,
			Apply:   onPatterns(modifierDropped),
		},
		{
			ID: "pattern/repetition-changed",
			Doc: `A repetition in a regular expression changes: + and * are swapped, ? is dropped.

No test has a string where this part is missing. Add one without it and assert whether it matches, and what is captured.`,
			Input:   "Add one case with a string in which this part is missing, and one in which it comes more than once.",
			Outcome: "Assert whether the string matches, and what is captured.",
			Before:  `preg_match('/a+/', $line);`,
			After:   `preg_match('/a*/', $line);`,
			Apply:   onPatterns(repetitionChanged),
		},
		{
			ID: "pattern/bound-loosened",
			Doc: `The bounds of a repetition in a regular expression are one wider: {2,4} becomes {1,4} or {2,5}.

No test has a string that is just too short or just too long. Add one with one character less, and one with one more, and assert that both are refused.`,
			Input:   "Add one case with a string that is just too short, and one with a string that is just too long.",
			Outcome: "Assert the outcome for a string that is just too short, or just too long.",
			Before:  `preg_match('/a{2,}/', $line);`,
			After:   `preg_match('/a{1,}/', $line);`,
			Apply:   onPatterns(boundLoosened),
		},
		{
			ID: "pattern/lazy-dropped",
			Doc: `A repetition in a regular expression takes as much as it can, not as little.

No test has a string with two places where the match could end. Add one ('<b>x</b> <b>y</b>' for /<b>.*?</) and assert what is matched.`,
			Input:   "Add a case with a string in which the match could end at two places.",
			Outcome: "Assert what exactly is matched.",
			Before:  `preg_match('/<.*?>/', $line);`,
			After:   `preg_match('/<.*>/', $line);`,
			Apply:   onPatterns(lazyDropped),
		},
		{
			ID: "pattern/class-negated",
			Doc: `A character class of a regular expression is negated, or no longer is: [a-z] and [^a-z], \d and \D.

No test depends on which characters match here. Add a string that should match and one that should not, and assert both.`,
			Input:   "Add one case with a string that should match, and one with a string that should not.",
			Outcome: "Assert the outcome for a string that should match, and for one that should not.",
			Before:  `preg_match('/[a-z]/', $line);`,
			After:   `preg_match('/[^a-z]/', $line);`,
			Wide:    true, // nearly any text that should match kills it
			Apply:   onPatterns(classNegated),
		},
		{
			ID: "pattern/class-member-dropped",
			Doc: `A character is dropped from a character class of a regular expression.

No test has a string with this very character in this place. Add one and assert whether it matches.`,
			Input:   "Add a case with a string that has this very character in this place.",
			Outcome: "Assert the outcome for a string that has this very character in this place.",
			Before:  `preg_match('/[a-z_]/', $line);`,
			After:   `preg_match('/[a-z]/', $line);`,
			Apply:   onPatterns(classMemberDropped),
		},
		{
			ID: "pattern/alternative-dropped",
			Doc: `One of the alternatives of a regular expression is dropped.

No test has a string that matches only by this alternative. Add a row for it to the data provider.`,
			Input:   "Add a case with a string that matches only by this alternative.",
			Outcome: "Assert the outcome for a string that matches only by this alternative.",
			Before:  `preg_match('/(pier)|quay/', $line);`,
			After:   `preg_match('/(pier)/', $line);`,
			Apply:   onPatterns(alternativeDropped),
		},
	} {
		op.Kinds = []string{"function_call_expression"}
		register(op)
	}
}

// patternFunctions take a pattern, or an array of patterns, first.
var patternFunctions = map[string]bool{
	"preg_match": true, "preg_match_all": true, "preg_replace": true, "preg_replace_callback": true,
	"preg_split": true, "preg_grep": true, "preg_filter": true,
}

// patternsOf gives the expressions that a call uses as patterns.
func patternsOf(f *syntax.File, call *syntax.Node) []*syntax.Node {
	name := builtin(f, call)
	args := call.Child("arguments").NamedChildren()
	if len(args) == 0 || !args[0].Is("argument") || args[0].Child("name") != nil {
		return nil
	}
	first := argValue(args[0])
	keyed := name == "preg_replace_callback_array"
	switch {
	case !patternFunctions[name] && !keyed:
		return nil
	case !first.Is("array_creation_expression"):
		return []*syntax.Node{first}
	}
	var out []*syntax.Node
	for _, el := range first.NamedChildren() {
		parts := el.NamedChildren()
		switch {
		case keyed && len(parts) == 2:
			out = append(out, parts[0])
		case !keyed && len(parts) > 0:
			out = append(out, parts[len(parts)-1])
		}
	}
	return out
}

// A change puts text in the place of units[from:to] of a pattern.
type change struct {
	from, to int
	text     string
}

// onPatterns makes a rule of a function that gives changes of one pattern.
func onPatterns(changes func(*regex) []change) applyFunc {
	return func(f *syntax.File, n *syntax.Node) []mutate.Edit {
		var out []mutate.Edit
		for _, p := range patternsOf(f, n) {
			units := patternUnits(f, p)
			if units == nil {
				continue
			}
			r := readRegex(units)
			if r == nil {
				continue
			}
			for _, c := range changes(r) {
				if e, ok := r.sourceEdit(f, c.from, c.to, c.text); ok {
					out = append(out, e)
				}
			}
		}
		return out
	}
}

// token gives the i-th token, one of kind other past either end.
func (r *regex) token(i int) token {
	if i < 0 || i >= len(r.tokens) {
		return token{}
	}
	return r.tokens[i]
}

func (r *regex) has(kind int, texts ...string) bool {
	for _, t := range r.tokens {
		if t.kind != kind {
			continue
		}
		if len(texts) == 0 {
			return true
		}
		for _, text := range texts {
			if r.text(t.from, t.to) == text {
				return true
			}
		}
	}
	return false
}

// everything reports whether the i-th token is a dot that a star repeats.
func (r *regex) everything(i int) bool {
	return r.token(i).kind == dot && r.token(i+1).kind == quantifier &&
		r.text(r.token(i+1).from, r.token(i+1).to) == "*"
}

// anchorDropped leaves out ^.* and .*$, which match the same without.
func anchorDropped(r *regex) []change {
	var out []change
	for i, t := range r.tokens {
		if t.kind != anchor || r.token(i+1).kind == quantifier || r.everything(i+1) && r.text(t.from, t.to) != `\b` {
			continue
		}
		if i > 1 && r.everything(i-2) && r.text(t.from, t.to) != `\b` {
			continue
		}
		out = append(out, change{from: t.from, to: t.to})
	}
	return out
}

// modifierDropped leaves a modifier alone that does nothing in this pattern, and x,
// without which a pattern laid out in lines matches nothing at all.
func modifierDropped(r *regex) []change {
	var out []change
	for at := r.to + 1; at < len(r.units); at++ {
		body := r.text(r.from, r.to)
		works := false
		switch r.units[at].b {
		case 'i':
			works = hasLetter(r)
		case 'm':
			works = r.has(anchor, "^", "$")
		case 's':
			works = r.has(dot)
		case 'D':
			works = r.has(anchor, "$") && r.flags['m'] == 0
		case 'U':
			works = r.has(quantifier)
		case 'u': // without it \x{100} is an error
			works = !strings.Contains(body, `\x{`) && !strings.Contains(body, `\N{`)
		case 'A':
			works = true
		}
		if works {
			out = append(out, change{from: at, to: at + 1})
		}
	}
	return out
}

// hasLetter reports whether letter case can matter to a pattern.
func hasLetter(r *regex) bool {
	for _, t := range r.tokens {
		letter := strings.ContainsFunc(r.text(t.from, t.to), func(c rune) bool { return c|0x20 >= 'a' && c|0x20 <= 'z' || c > 0x7f })
		if t.kind == unknown || letter && (t.kind == class || t.kind == other && r.at(t.from) != '(' && r.at(t.from) != '\\') {
			return true
		}
	}
	return false
}

func repetitionChanged(r *regex) []change {
	var out []change
	for _, t := range r.tokens {
		if t.kind != quantifier || r.behind(t.group) {
			continue
		}
		switch r.at(t.from) {
		case '+':
			out = append(out, change{t.from, t.from + 1, "*"})
		case '*':
			out = append(out, change{t.from, t.from + 1, "+"})
		case '?':
			out = append(out, change{t.from, t.to, ""})
		}
	}
	return out
}

func boundLoosened(r *regex) []change {
	var out []change
	for _, t := range r.tokens {
		if t.kind != quantifier || r.at(t.from) != '{' || r.behind(t.group) {
			continue
		}
		end := r.until(t.from, '}') - 1
		inside := r.text(t.from+1, end)
		low, high, ranged := strings.Cut(inside, ",")
		n, err := strconv.Atoi(low)
		if err != nil {
			continue
		}
		if n > 0 {
			text := strconv.Itoa(n - 1)
			if !ranged {
				text += "," + low
			}
			out = append(out, change{t.from + 1, t.from + 1 + len(low), text})
		}
		if !ranged {
			high = low
		}
		if m, err := strconv.Atoi(high); err == nil && m < 65535 { // PCRE's largest
			text := strconv.Itoa(m + 1)
			if !ranged {
				text = low + "," + text
			}
			out = append(out, change{end - len(high), end, text})
		}
	}
	return out
}

// lazyDropped is not for patterns with U, where the "?" means the opposite.
func lazyDropped(r *regex) []change {
	var out []change
	for _, t := range r.tokens {
		if t.kind == quantifier && t.to-t.from > 1 && r.at(t.to-1) == '?' && r.flags['U'] == 0 {
			out = append(out, change{from: t.to - 1, to: t.to})
		}
	}
	return out
}

func classNegated(r *regex) []change {
	var out []change
	for _, t := range r.tokens {
		switch {
		case t.kind == class && r.at(t.from+1) == '^':
			out = append(out, change{from: t.from + 1, to: t.from + 2})
		case t.kind == class:
			out = append(out, change{t.from + 1, t.from + 1, "^"})
		case t.kind == shorthand:
			out = append(out, change{t.from + 1, t.from + 2, string(rune(r.at(t.from+1) ^ 0x20))})
		}
	}
	return out
}

// classMemberDropped drops single ASCII characters, not ranges nor \w and the
// like: a text without any letter is a rare mistake. It leaves a class alone
// that would then be empty, and characters that another member stands for.
func classMemberDropped(r *regex) []change {
	var out []change
	for _, t := range r.tokens {
		if t.kind != class {
			continue
		}
		members := r.members(t)
		if len(members) < 2 {
			continue
		}
		for i, m := range members {
			if i+1 < len(members) && m.from == t.from+1 {
				if b := r.at(members[i+1].from); b == '^' || b == ']' {
					continue
				}
			}
			if m.from == t.from+2 && r.at(t.from+1) == '^' && r.at(m.from) == '^' {
				continue // [^^a] => [^a] is what classNegated makes
			}
			if m.single && !r.implied(members, m) {
				out = append(out, change{from: m.from, to: m.to})
			}
		}
	}
	return out
}

// A member is one part of a character class.
type member struct {
	from, to int
	single   bool // one character that may be dropped
}

// members splits a class that holds no "-" but in ranges and at its ends; nil
// for others, where dropping a neighbour could make a range.
func (r *regex) members(t token) []member {
	var out []member
	i, end := t.from+1, t.to-1
	if r.at(i) == '^' {
		i++
	}
	for i < end {
		m := member{from: i, to: i + 1, single: r.at(i) < 0x80 && r.at(i) != 0}
		switch r.at(i) {
		case '\\':
			m.to, m.single = i+2, !wordByte(r.at(i+1))
			switch r.at(i + 1) {
			case 'p', 'P', 'x', 'o', 'N':
				m.to = r.braced(i + 2)
				if r.at(i+1) == 'x' && r.at(i+2) != '{' {
					return nil
				}
			case '0', '1', '2', '3', '4', '5', '6', '7', 'c':
				return nil
			}
		case '[':
			if r.at(i+1) == ':' {
				m.to, m.single = r.until(i+2, ']'), false
			}
		}
		if m.to <= i || m.to > end {
			return nil
		}
		if r.at(m.to) == '-' && m.to+1 < end {
			if !m.single && r.at(i) < 0x80 {
				return nil
			}
			m.to, m.single = m.to+2, false
			if r.at(m.to-1) == '\\' {
				m.to++
			}
		}
		out = append(out, m)
		i = m.to
	}
	return out
}

// implied reports whether \w, \d, \s or their like stands for a character too.
func (r *regex) implied(members []member, m member) bool {
	c := r.at(m.to - 1)
	for _, o := range members {
		text := r.text(o.from, o.to)
		switch {
		case o == m:
		case text == `\w` && wordByte(c), text == `\d` && c >= '0' && c <= '9', text == `\s` && strings.IndexByte(" \t\r\n", c) >= 0,
			text == `\W`, text == `\S`, text == `\D`, strings.HasPrefix(text, `\P`), strings.HasPrefix(text, `\p`) && wordByte(c),
			text == `\h` && c == ' ', strings.HasPrefix(text, "[:"):
			return true
		case len(text) == 3 && text[1] == '-' && text[0] <= c && c <= text[2],
			len(text) == 1 && text[0] == c:
			return true
		}
	}
	return false
}

// alternativeDropped keeps alternatives that capture: a reference to the group
// would have nothing to refer to. An empty one is what "?" says in other words.
func alternativeDropped(r *regex) []change {
	var out []change
	for g, grp := range r.groups {
		if grp.strange || r.groups[g].to < grp.from {
			continue
		}
		from, bars := grp.from, 0
		var parts []change
		for _, t := range r.tokens {
			if t.kind == bar && t.group == g {
				parts = append(parts, change{from: from, to: t.from})
				from = t.to
				bars++
			}
		}
		if bars == 0 {
			continue
		}
		parts = append(parts, change{from: from, to: grp.to})
		for i, p := range parts {
			if p.from == p.to || r.captures(p) {
				continue
			}
			if i == 0 {
				p.to++
			} else {
				p.from--
			}
			out = append(out, p)
		}
	}
	return out
}

// captures reports whether a group within some units captures.
func (r *regex) captures(c change) bool {
	for _, g := range r.groups[1:] {
		if g.captures && c.from < g.from && g.from <= c.to {
			return true
		}
	}
	return false
}
