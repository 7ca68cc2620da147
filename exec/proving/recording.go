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
	functions map[string][]Parameter      // "Class::method", "Class::" for its constructor, "function"
	cases     map[string][]string         // of enums
	kinds     map[string][]string         // class => what else it is
	arguments map[string][][]mutate.Value // see collect
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
	r := &Recording{calls: map[int]*called{}, objects: map[int]*object{}, functions: map[string][]Parameter{}, cases: map[string][]string{}, kinds: map[string][]string{}}
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
	r.collect()
	return r, nil
}

func (r *Recording) read(row json.RawMessage, last int) (int, error) {
	var parts []json.RawMessage
	if err := json.Unmarshal(row, &parts); err != nil {
		return last, err
	}
	var kind string
	if len(parts) == 0 {
		return last, errors.New("an empty row")
	}
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
	case "class":
		var class string
		var kinds []string
		err := json.Unmarshal(row, &[]any{&kind, &class, &kinds})
		r.kinds[class] = kinds
		return last, err
	case "lost":
		var n int
		err := json.Unmarshal(row, &[]any{&kind, &n})
		if o := r.objects[n]; o != nil && o.lost == 0 {
			o.lost = last + 1
		}
		return last, err
	case "function":
		return last, r.readFunction(row)
	}
	return last, fmt.Errorf("%q is not known", kind)
}

// readFunction reads what a function's parameters are, and which cases the enums among their types
// have.
func (r *Recording) readFunction(row json.RawMessage) error {
	var kind, name string
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
	return err
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

// Inputs gives the calls that enter one of some functions, the plainest first, then later calls
// of the same objects, which may show what the former have left; and why others cannot be made
// again, with how many there are.
func (r *Recording) Inputs(points ...int) (direct, later []*Input, why map[string]int) {
	why = map[string]int{}
	seen := map[string]bool{}
	build := func(serials []int) (out []*Input) {
		slices.Sort(serials)
		for _, n := range slices.Compact(serials) {
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
		return out
	}
	var entering, following []int
	for n, c := range r.calls {
		if slices.Contains(points, c.point) || slices.ContainsFunc(c.reached, func(p int) bool { return slices.Contains(points, p) }) {
			entering = append(entering, n)
		}
	}
	for _, n := range entering {
		for _, o := range []int{number(r.calls[n].on), r.calls[n].made} {
			if o > 0 {
				following = append(following, slices.DeleteFunc(slices.Clone(r.objects[o].calls), func(call int) bool { return call <= n || slices.Contains(entering, call) })...)
			}
		}
	}
	return build(entering), build(following), why
}
