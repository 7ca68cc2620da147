package proving

import (
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"assay/mutate"
)

// A Recording has the calls that the suite has made of the sources.
type Recording struct {
	calls     map[int]*called
	objects   map[int]*object
	functions map[string][]Parameter // "Class::method", "Class::" for its constructor, "function"
	cases     map[string][]string    // of enums
}

type called struct {
	serial, test, point int
	kind                mutate.CallKind
	class, name         string
	on                  mutate.Value
	args                []mutate.Value
	why                 string // it cannot be made again
	inside              bool   // it was made by the sources
	reached             []int  // wanted points of functions that were entered meanwhile
	made                int    // number of the object that it gave first; 0: none
}

type object struct {
	class  string
	origin int   // the call that made it
	calls  []int // of its methods, in their order
	lost   int   // a call of this number or later was not noted; 0: all were
}

// A Parameter is one of a function.
type Parameter struct {
	Name      string
	Types     []string // none: any
	Cases     [][2]string
	Optional  bool
	Variadic  bool
	Reference bool
}

// NewRecording reads what CallRecorder.php tells.
func NewRecording(told []string) (*Recording, error) {
	r := &Recording{calls: map[int]*called{}, objects: map[int]*object{}, functions: map[string][]Parameter{}, cases: map[string][]string{}}
	last := 0
	for _, doc := range told {
		var rows []json.RawMessage
		if err := json.Unmarshal([]byte(doc), &rows); err != nil {
			return nil, err
		}
		for _, row := range rows {
			var err error
			if last, err = r.read(row, last); err != nil {
				return nil, fmt.Errorf("a call that was recorded: %w", err)
			}
		}
	}
	return r, nil
}

func (r *Recording) read(row json.RawMessage, last int) (int, error) {
	var parts []json.RawMessage
	if err := json.Unmarshal(row, &parts); err != nil {
		return last, err
	}
	var kind string
	if err := json.Unmarshal(parts[0], &kind); err != nil {
		return last, err
	}
	switch kind {
	case "call":
		return r.readCall(row)
	case "reached":
		var n int
		var points []int
		err := json.Unmarshal(row, &[]any{&kind, &n, &points})
		if c := r.calls[n]; c != nil {
			c.reached = append(c.reached, points...)
		}
		return last, err
	case "made":
		var n, object int
		var class string
		err := json.Unmarshal(row, &[]any{&kind, &n, &object, &class})
		if c := r.calls[n]; c != nil {
			c.made = object
			r.object(object).class, r.object(object).origin = class, n
		}
		return last, err
	case "lost":
		var n int
		err := json.Unmarshal(row, &[]any{&kind, &n})
		if o := r.objects[n]; o != nil && o.lost == 0 {
			o.lost = last + 1
		}
		return last, err
	case "function":
		var name string
		var parameters []Parameter
		err := json.Unmarshal(row, &[]any{&kind, &name, &parameters})
		r.functions[name] = parameters
		for _, p := range parameters {
			for _, c := range p.Cases {
				if !slices.Contains(r.cases[c[0]], c[1]) {
					r.cases[c[0]] = append(r.cases[c[0]], c[1])
				}
			}
		}
		return last, err
	}
	return last, fmt.Errorf("%q is not known", kind)
}

func (r *Recording) object(n int) *object {
	if r.objects[n] == nil {
		r.objects[n] = &object{}
	}
	return r.objects[n]
}

func (r *Recording) readCall(row json.RawMessage) (int, error) {
	var word, how string
	var on json.RawMessage
	var args []json.RawMessage
	c := &called{}
	if err := json.Unmarshal(row, &[]any{&word, &c.serial, &c.test, &c.point, &how, &c.class, &c.name, &on, &args, &c.inside}); err != nil {
		return 0, err
	}
	for kind, is := range callWords {
		if is == how {
			c.kind = kind
		}
	}
	for _, a := range args {
		v, err := decoded(a)
		if err = c.cannot(err); err != nil {
			return 0, err
		}
		c.args = append(c.args, v)
	}
	r.calls[c.serial] = c
	switch c.kind {
	case mutate.CallNew:
		n, err := strconv.Atoi(string(on))
		if err != nil {
			return 0, err
		}
		c.made = n
		r.object(n).class, r.object(n).origin = c.class, c.serial
	case mutate.CallMethod:
		v, err := decoded(on)
		if err = c.cannot(err); err != nil {
			return 0, err
		}
		c.on = v
		if n := number(v); n > 0 {
			r.object(n).calls = append(r.object(n).calls, c.serial)
		}
	}
	return c.serial, nil
}

// cannot notes that a call cannot be made again, where that is the error.
func (c *called) cannot(err error) error {
	var no noValueError
	if errors.As(err, &no) {
		c.why = cmp.Or(c.why, no.what)
		return nil
	}
	return err
}

// number gives the number of an object that a value is; 0 for others.
func number(v mutate.Value) int {
	digits, is := strings.CutPrefix(v.Variable, "#")
	if v.Kind != mutate.ValueVariable || !is {
		return 0
	}
	n, _ := strconv.Atoi(digits)
	return n
}

// Parameters gives those of the function that a call calls; ok is false where they are not
// known.
func (r *Recording) Parameters(c *mutate.Call) (list []Parameter, ok bool) {
	switch c.Kind {
	case mutate.CallNew:
		list, ok = r.functions[c.Class+"::"]
	case mutate.CallFunction:
		list, ok = r.functions[c.Name]
	default:
		list, ok = r.functions[c.Class+"::"+c.Name]
	}
	return list, ok
}

// Inputs gives the calls that enter a function, the plainest first, and why others that do
// cannot be made again, with how many there are.
func (r *Recording) Inputs(point int) ([]*Input, map[string]int) {
	var out []*Input
	why := map[string]int{}
	seen := map[string]bool{}
	var serials []int
	for n, c := range r.calls {
		if c.point == point || slices.Contains(c.reached, point) {
			serials = append(serials, n)
		}
	}
	slices.Sort(serials)
	for _, n := range serials {
		in, err := r.input(r.calls[n])
		if err != nil {
			why[err.Error()]++
			continue
		}
		if key := in.Key(); !seen[key] {
			seen[key] = true
			out = append(out, in)
		}
	}
	slices.SortStableFunc(out, func(a, b *Input) int { return a.Size() - b.Size() })
	return out, why
}

// mostCalls bounds the calls of an input.
const mostCalls = 40

// input gives a call with what makes its objects.
func (r *Recording) input(c *called) (*Input, error) {
	b := builder{r: r, needed: map[int]bool{}, objects: map[int]bool{}}
	if err := b.need(c); err != nil {
		return nil, err
	}
	in := &Input{From: c.test, Classes: map[string]string{}}
	names := namer{of: map[int]string{}, taken: map[string]bool{}}
	var serials []int
	for n := range b.needed {
		serials = append(serials, n)
	}
	slices.Sort(serials)
	for _, n := range serials {
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
	objects map[int]bool // that others name
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
	if p, _ := b.r.Parameters(&mutate.Call{Kind: c.kind, Class: c.class, Name: c.name}); slices.ContainsFunc(p, func(p Parameter) bool { return p.Reference }) {
		return noValueError{"a parameter by reference"}
	}
	for _, v := range append(slices.Clone(c.args), c.on) {
		if err := b.needIn(v, c.serial); err != nil {
			return err
		}
	}
	return nil
}

// needIn has all objects in a value made before a call.
func (b *builder) needIn(v mutate.Value, before int) error {
	for _, i := range v.Items {
		if err := b.needIn(i.Value, before); err != nil {
			return err
		}
	}
	n := number(v)
	if n == 0 {
		return nil
	}
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

// namer gives variables names.
type namer struct {
	of    map[int]string // number of an object => name
	taken map[string]bool
}

func (n *namer) name(class string) string {
	short := class[strings.LastIndexByte(class, '\\')+1:]
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
	call := mutate.Call{Kind: c.kind, Class: c.class, Name: c.name}
	var out []mutate.Call
	if c.kind == mutate.CallMethod {
		if n := number(c.on); n > 0 {
			call.On = names.of[n]
		} else {
			call.On = names.name(c.class)
			out = append(out, mutate.Call{Kind: mutate.CallFunction, Name: "constant", Into: call.On,
				Args: []mutate.Argument{{Value: text(c.on.Class + "::" + c.on.Name)}}})
		}
	}
	for _, a := range c.args {
		call.Args = append(call.Args, mutate.Argument{Value: names.in(a)})
	}
	if c.made > 0 && !last && b.objects[c.made] {
		call.Into = names.name(b.r.objects[c.made].class)
		names.of[c.made] = call.Into
	}
	return append(out, call)
}

// in puts names in place of the numbers of objects.
func (n *namer) in(v mutate.Value) mutate.Value {
	if o := number(v); o > 0 {
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
