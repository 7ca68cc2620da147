package testcode

import (
	"fmt"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"unicode"

	"assay/mutate"
)

// longestTitle bounds, in bytes, the words that a test's name is made of.
const longestTitle = 76

// title gives the words that say what a test is about: what is called, what comes of it,
// and for which arguments.
func title(f *mutate.Finding, look mutate.Look) []string {
	last := f.Calls[len(f.Calls)-1]
	subject := split(lastOf(last.Name))
	if last.Kind == mutate.CallNew {
		subject = append([]string{"new"}, split(lastOf(last.Class))...)
	}
	words := append(subject, outcome(last, look)...)
	with := circumstances(f, last)
	for n := len(with); n > 0; n-- {
		all := append(append(words[:len(words):len(words)], "for"), join2(with[:n])...)
		if len(strings.Join(all, " ")) <= longestTitle {
			return all
		}
	}
	return words
}

func join2(parts [][]string) []string {
	var out []string
	for i, p := range parts {
		if i > 0 {
			out = append(out, "and")
		}
		out = append(out, p...)
	}
	return out
}

// outcome says in words what is asserted.
func outcome(last mutate.Call, look mutate.Look) []string {
	o := look.Original
	var path []string
	for _, a := range look.Path {
		switch a.Kind {
		case mutate.AccessProperty, mutate.AccessMethod:
			path = append(path, split(strings.TrimPrefix(a.Name, "get"))...)
		case mutate.AccessKey:
			path = append(path, inWords(a.Key)...)
		}
	}
	found := inWords(o.Value)
	if key, v, ok := apart(o.Value, look.Mutant.Value); ok {
		found = append(inWords(key), inWords(v)...)
	}
	if o.Value.Kind == mutate.ValueUnset || len(look.Path) > 0 && look.Path[len(look.Path)-1].Kind == mutate.AccessClass {
		class := o.Class
		if class == "" {
			class = o.Value.String
		}
		found = append([]string{"a"}, split(lastOf(class))...)
		if len(found) > 1 && strings.Contains("AEIOaeio", found[1][:1]) {
			found[0] = "an"
		}
	}
	switch {
	case o.Thrown:
		return append([]string{"throws"}, split(lastOf(o.Class))...)
	case look.Kind == mutate.LookOutput:
		return append([]string{"prints"}, found...)
	case look.Mutant.Thrown && o.Value.Kind == mutate.ValueUnset && o.Class == "":
		return []string{"does", "not", "throw"}
	case look.Kind == mutate.LookReceiver:
		return append(append([]string{"leaves"}, path...), found...)
	case look.Kind == mutate.LookArgument:
		return append(append(append([]string{"leaves"}, split(last.Args[look.Argument].Value.Variable)...), path...), found...)
	case last.Kind == mutate.CallNew && len(path) > 0:
		return append(append([]string{"has"}, path...), found...)
	}
	return append(append([]string{"gives"}, path...), found...)
}

// apart gives the first element of an array, by a key that is a text, that another array has
// not or has otherwise; ok is false where there is none.
func apart(original, mutant mutate.Value) (key, value mutate.Value, ok bool) {
	if original.Kind != mutate.ValueArray || mutant.Kind != mutate.ValueArray {
		return key, value, false
	}
	for _, item := range original.Items {
		same := slices.ContainsFunc(mutant.Items, func(other mutate.Item) bool { return reflect.DeepEqual(item, other) })
		if item.Key.Kind == mutate.ValueString && !same {
			return item.Key, item.Value, true
		}
	}
	return key, value, false
}

// circumstances gives the words of the arguments that have some.
func circumstances(f *mutate.Finding, last mutate.Call) [][]string {
	var out [][]string
	for _, a := range last.Args {
		v := resolved(f, a.Value)
		if v.Kind == mutate.ValueVariable {
			continue
		}
		if w := inWords(v); len(w) > 0 {
			out = append(out, w)
		}
	}
	return out
}

// resolved gives, for a variable that an object was put into, the making of it.
func resolved(f *mutate.Finding, v mutate.Value) mutate.Value {
	if v.Kind != mutate.ValueVariable {
		return v
	}
	for _, c := range f.Calls[:len(f.Calls)-1] {
		if c.Into == v.Variable && c.Kind == mutate.CallNew {
			return mutate.Value{Kind: mutate.ValueNew, Class: c.Class, Args: c.Args}
		}
	}
	return v
}

// wordsOfText bounds how many words of a string are named.
const wordsOfText = 4

func inWords(v mutate.Value) []string {
	switch v.Kind {
	case mutate.ValueNull:
		return []string{"null"}
	case mutate.ValueBool:
		return []string{strconv.FormatBool(v.Bool)}
	case mutate.ValueInt, mutate.ValueFloat:
		return numberInWords(v)
	case mutate.ValueString:
		return textInWords(v.String)
	case mutate.ValueArray:
		if len(v.Items) == 0 {
			return []string{"an", "empty", "array"}
		}
		return []string{"an", "array", "of", strconv.Itoa(len(v.Items))}
	case mutate.ValueCase:
		return split(v.Name)
	case mutate.ValueNew:
		if len(v.Args) > 0 {
			return inWords(v.Args[0].Value)
		}
		return split(lastOf(v.Class))
	}
	return nil
}

func numberInWords(v mutate.Value) []string {
	text := fmt.Sprint(v.Int)
	if v.Kind == mutate.ValueFloat {
		text = float(v.Float)
	}
	var words []string
	if rest, negative := strings.CutPrefix(text, "-"); negative {
		words, text = append(words, "minus"), rest
	}
	return append(words, split(strings.ReplaceAll(text, ".", " point "))...)
}

func textInWords(s string) []string {
	words := split(s)
	switch {
	case s == "":
		return []string{"an", "empty", "string"}
	case len(words) == 0:
		return []string{"a", "string", "of", strconv.Itoa(len(s)), "bytes"}
	case len(words) > wordsOfText:
		words = words[:wordsOfText]
	}
	return words
}

// split gives the words of a name or a text: runs of ASCII letters and of digits, cut
// where capitals begin.
func split(s string) []string {
	var words []string
	var word []byte
	flush := func() {
		if len(word) > 0 {
			words, word = append(words, string(word)), nil
		}
	}
	for i := 0; i < len(s); i++ {
		c := rune(s[i])
		letter, digit := c < 0x80 && unicode.IsLetter(c), c < 0x80 && unicode.IsDigit(c)
		if !letter && !digit {
			flush()
			continue
		}
		if n := len(word); n > 0 {
			before := rune(word[n-1])
			next := i+1 < len(s) && unicode.IsLower(rune(s[i+1]))
			if digit != unicode.IsDigit(before) || unicode.IsUpper(c) && (unicode.IsLower(before) || next) {
				flush()
			}
		}
		word = append(word, s[i])
	}
	flush()
	return words
}

// methodName writes words as the name of a test, which no method of the class has, nor any
// other test that was written for it.
func (c *testClass) methodName(words []string, does string) string {
	name := ""
	if c.style.marking == byPrefix {
		name = "test"
	}
	for _, w := range words {
		switch {
		case c.style.snake && name != "":
			name += "_" + strings.ToLower(w)
		case c.style.snake:
			name = strings.ToLower(w)
		case name == "":
			name = strings.ToLower(w[:1]) + w[1:]
		case endsInDigit(name) && unicode.IsDigit(rune(w[0])):
			name += "_" + w
		default:
			name += strings.ToUpper(w[:1]) + w[1:]
		}
	}
	free := name
	for n := 2; c.hasMethod(free) || !c.suite.free(c.name, free, does); n++ {
		free = fmt.Sprint(name, "_", n)
		if !c.style.snake && !endsInDigit(name) {
			free = fmt.Sprint(name, n)
		}
	}
	return free
}

func endsInDigit(s string) bool { return s != "" && unicode.IsDigit(rune(s[len(s)-1])) }

func (c *testClass) hasMethod(name string) bool {
	for _, m := range c.methods {
		if strings.EqualFold(c.file.Text(m.Child("name")), name) {
			return true
		}
	}
	return false
}
