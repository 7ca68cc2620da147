package proving

import (
	"cmp"
	"maps"
	"slices"
	"strconv"
	"strings"

	"assay/mutate"
)

// mostCalls bounds the calls of an input, mostTries how often an object is made to stand for
// another one in it, and deepest how many of them are made one within the other.
const (
	mostCalls = 40
	mostTries = 100
	deepest   = 3
)

// input gives a call with what makes its objects.
func (r *Recording) input(c *called) (*Input, error) {
	b := builder{r: r, needed: map[int]bool{}, objects: map[int]bool{}, instead: map[string]int{}, plain: map[string]mutate.Value{}, tries: new(int)}
	if err := b.need(c); err != nil {
		return nil, err
	}
	in := &Input{From: c.test, Classes: map[string]string{}}
	names := namer{of: map[int]string{}, taken: map[string]bool{}, instead: b.instead, plain: b.plain}
	if len(b.plain) > 0 {
		in.Changed++
	}
	if len(b.instead) == 0 {
		slices.Sort(b.order)
	} else {
		in.Changed++
	}
	if c.inside { // the tests do not make it themselves
		in.Changed++
	}
	for _, n := range b.order {
		for _, call := range b.write(r.calls[n], &names, n == c.serial) {
			in.Calls = append(in.Calls, call)
			if call.Into != "" {
				in.Classes[call.Into] = call.Class
			}
		}
	}
	for n, name := range names.of {
		in.Classes[name] = r.objects[n].class
	}
	return in, nil
}

// builder collects the calls that an input needs.
type builder struct {
	r       *Recording
	needed  map[int]bool
	order   []int        // the same, each behind what it needs
	objects map[int]bool // that others name
	// instead has, for a call and a class, the object that stands for one which nobody saw
	// being made; see inCall.
	instead map[string]int
	plain   map[string]mutate.Value // the same, where it is no object
	tries   *int                    // how many objects were made to stand for others
	busy    map[int]bool            // objects that are to stand for others and are not made yet
}

func (b *builder) need(c *called) error {
	if b.needed[c.serial] {
		return nil
	}
	if c.why != "" {
		return noValueError{c.why}
	}
	b.needed[c.serial] = true
	if len(b.needed) > mostCalls {
		return noValueError{"too many calls"}
	}
	p, _ := b.r.Parameters(&mutate.Call{Kind: c.kind, Class: c.class, Name: c.name})
	for i, v := range c.args {
		var types []string
		if len(p) > 0 {
			types = p[min(i, len(p)-1)].Types
			if p[min(i, len(p)-1)].Reference && v.Kind != mutate.ValueNew && v.Kind != mutate.ValueVariable {
				return noValueError{"a variable, by reference"}
			}
		}
		if err := b.needIn(v, types, c.serial); err != nil {
			return err
		}
	}
	if err := b.needIn(c.on, []string{c.class}, c.serial); err != nil {
		return err
	}
	b.order = append(b.order, c.serial)
	return nil
}

// needIn has all objects in a value made before a call.
func (b *builder) needIn(v mutate.Value, types []string, before int) error {
	for _, i := range v.Items {
		if err := b.needIn(i.Value, nil, before); err != nil {
			return err
		}
	}
	if class, is := strings.CutPrefix(v.Variable, "?"); is && v.Kind == mutate.ValueVariable {
		return b.replace(inCall(before, v.Variable), class, types)
	}
	if n := number(v); n > 0 {
		return b.needObject(n, before)
	}
	return nil
}

// needObject has an object made as it was before a call.
func (b *builder) needObject(n, before int) error {
	o := b.r.objects[n]
	if o == nil || o.origin == 0 || o.origin >= before || o.lost > 0 && o.lost <= before {
		return noValueError{"an object that was not seen to be made"}
	}
	b.objects[n] = true
	if err := b.need(b.r.calls[o.origin]); err != nil {
		return err
	}
	for _, call := range o.calls {
		if call >= before {
			break
		}
		if c := b.r.calls[call]; !c.inside {
			if err := b.need(c); err != nil {
				return err
			}
		}
	}
	return nil
}

// inCall names a place in a call where an object is missing.
func inCall(serial int, name string) string { return strconv.Itoa(serial) + name }

// replace has an object of the same kind made in place of one that nobody saw being made.
func (b *builder) replace(key, class string, types []string) error {
	if _, is := b.plain[key]; is || b.instead[key] != 0 {
		return nil
	}
	kinds := append([]string{class}, b.r.kinds[class]...)
	fits := func(o *object) bool {
		return o.class == class || slices.ContainsFunc(append([]string{o.class}, b.r.kinds[o.class]...), func(k string) bool {
			if len(types) > 0 {
				return slices.Contains(types, k)
			}
			return k != "Stringable" && k != "Countable" && k != "Traversable" && slices.Contains(kinds, k)
		})
	}
	var numbers []int
	for n, o := range b.r.objects {
		if o.origin != 0 && fits(o) {
			numbers = append(numbers, n)
		}
	}
	slices.Sort(numbers)
	for _, n := range numbers[:min(len(numbers), 50)] {
		o := b.r.objects[n]
		before := o.origin + 1
		if len(o.calls) > 0 {
			before = o.calls[min(len(o.calls), 6)-1] + 1
		}
		if b.busy[n] || len(b.busy) >= deepest || *b.tries >= mostTries {
			continue
		}
		*b.tries++
		try := builder{r: b.r, needed: maps.Clone(b.needed), order: slices.Clone(b.order), objects: maps.Clone(b.objects),
			instead: maps.Clone(b.instead), plain: maps.Clone(b.plain), busy: with(b.busy, n), tries: b.tries}
		if try.needObject(n, before) == nil {
			try.busy, try.instead[key] = b.busy, n
			*b = try
			return nil
		}
	}
	switch {
	case slices.Contains(types, "callable"):
		b.plain[key] = text("trim")
	case slices.Contains(types, "null"):
		b.plain[key] = null()
	case len(types) == 0 || slices.Contains(types, "mixed"):
		b.plain[key] = text("a")
	default:
		return noValueError{class}
	}
	return nil
}

func with(set map[int]bool, n int) map[int]bool {
	out := map[int]bool{n: true}
	maps.Copy(out, set)
	return out
}

// namer gives variables names.
type namer struct {
	call    int // number of the one that is written
	plain   map[string]mutate.Value
	instead map[string]int // what stands for the object of a class, by the name that stands in its place
	of      map[int]string // number of an object => name
	taken   map[string]bool
}

func (n *namer) name(class string) string {
	short := cmp.Or(class[strings.LastIndexByte(class, '\\')+1:], "it")
	base := strings.ToLower(short[:1]) + short[1:]
	if short == strings.ToUpper(short) {
		base = strings.ToLower(short)
	}
	if base == "this" {
		base = "that"
	}
	name := base
	for i := 2; n.taken[name]; i++ {
		name = base + strconv.Itoa(i)
	}
	n.taken[name] = true
	return name
}

// write writes a call; where its receiver is a case of an enum, one before it that gives it.
func (b *builder) write(c *called, names *namer, last bool) []mutate.Call {
	names.call = c.serial
	call := mutate.Call{Kind: c.kind, Class: c.class, Name: c.name}
	var out []mutate.Call
	if c.kind == mutate.CallMethod {
		if c.on.Kind == mutate.ValueVariable {
			call.On = names.in(c.on).Variable
		} else {
			call.On = names.name(c.class)
			out = append(out, mutate.Call{Kind: mutate.CallFunction, Name: "constant", Into: call.On,
				Args: []mutate.Argument{{Value: text(c.on.Class + "::" + c.on.Name)}}})
		}
	}
	parameters, _ := b.r.Parameters(&call)
	for i, a := range c.args {
		v := names.in(a)
		if len(parameters) > 0 && parameters[min(i, len(parameters)-1)].Reference && v.Kind == mutate.ValueNew {
			name := names.name(v.Class)
			out = append(out, mutate.Call{Kind: mutate.CallNew, Class: v.Class, Args: v.Args, Into: name})
			v = variable(name)
		}
		call.Args = append(call.Args, mutate.Argument{Value: v})
	}
	if c.made > 0 && !last && b.objects[c.made] {
		call.Into = names.name(b.r.objects[c.made].class)
		names.of[c.made] = call.Into
	}
	return append(out, call)
}

// in puts names in place of the numbers of objects.
func (n *namer) in(v mutate.Value) mutate.Value {
	if v.Kind == mutate.ValueVariable {
		o := number(v)
		if plain, is := n.plain[inCall(n.call, v.Variable)]; is {
			return plain
		}
		if o == 0 {
			o = n.instead[inCall(n.call, v.Variable)]
		}
		return variable(n.of[o])
	}
	if v.Kind == mutate.ValueArray {
		items := slices.Clone(v.Items)
		for i := range items {
			items[i].Value = n.in(items[i].Value)
		}
		v.Items = items
	}
	return v
}
