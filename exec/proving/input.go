package proving

import (
	"encoding/json"
	"slices"
	"strings"

	"assay/mutate"
)

// An Input is some calls, of which the outcome of the last is looked at.
type Input struct {
	Calls []mutate.Call
	// Classes has, for variables, the class of what is in them where that is known.
	Classes map[string]string
	From    int // the number of the test in which the last call was recorded; -1: none
	Changed int // how many changes were made to what was recorded
}

// Job has inputs tried. It is what Prover.php reads.
type Job struct {
	ID       int        `json:"id"`
	Place    int        `json:"place"`
	Mutant   int        `json:"mutant"`
	Points   []int      `json:"points"` // behind which the change lies; none: it is always reached
	Inputs   [][]toCall `json:"inputs"`
	Sides    []string   `json:"sides"`              // "original", "again", "mutant", in the order in which they are run
	Observed int        `json:"observed,omitempty"` // number of the mutant whose value is compared with the original's
	Fresh    bool       `json:"fresh,omitempty"`    // a process for each input
	Whole    bool       `json:"whole,omitempty"`    // tell of outcomes also where both sides are alike
	// Dated says what is done about texts that mean another date each day, as Impure gives it;
	// 1 is for jobs that are Fresh.
	Dated   int      `json:"dated,omitempty"`
	Tells   bool     `json:"tells,omitempty"` // which points are passed
	Look    *look    `json:"look,omitempty"`  // look at nothing else
	Ordered []*Input `json:"-"`
}

// The sides of a job.
const (
	Original = "original"
	Again    = "again" // the original once more
	Mutated  = "mutant"
)

type toCall struct {
	Kind  string `json:"kind"`
	On    string `json:"on,omitempty"`
	Class string `json:"class,omitempty"`
	Name  string `json:"name,omitempty"`
	Args  []any  `json:"args"`
	Into  string `json:"into,omitempty"`
}

var callWords = map[mutate.CallKind]string{mutate.CallNew: "new", mutate.CallMethod: "method", mutate.CallStatic: "static", mutate.CallFunction: "function"}

// Add adds an input to those of a job.
func (j *Job) Add(in *Input) {
	j.Inputs = append(j.Inputs, in.wire())
	j.Ordered = append(j.Ordered, in)
}

func (in *Input) wire() []toCall {
	var out []toCall
	for _, c := range in.Calls {
		w := toCall{Kind: callWords[c.Kind], On: c.On, Class: c.Class, Name: c.Name, Into: c.Into, Args: []any{}}
		for _, a := range c.Args {
			w.Args = append(w.Args, encoded(a.Value))
		}
		out = append(out, w)
	}
	return out
}

// Key tells inputs apart.
func (in *Input) Key() string {
	b, err := json.Marshal(in.wire())
	if err != nil {
		panic(err)
	}
	return string(b)
}

// Last is the call that is looked at.
func (in *Input) Last() *mutate.Call { return &in.Calls[len(in.Calls)-1] }

// Size is how much there is to read.
func (in *Input) Size() int {
	n := 0
	for _, c := range in.Calls {
		n += 20
		for _, a := range c.Args {
			n += size(a.Value)
		}
	}
	return n
}

// clone copies an input so far that each argument can be replaced.
func (in *Input) clone() *Input {
	out := *in
	out.Calls = slices.Clone(in.Calls)
	for i := range out.Calls {
		out.Calls[i].Args = slices.Clone(out.Calls[i].Args)
	}
	return &out
}

// used gives the variables that are named in calls from one on.
func (in *Input) used(from int) map[string]bool {
	names := map[string]bool{}
	var note func(v mutate.Value)
	note = func(v mutate.Value) {
		if v.Kind == mutate.ValueVariable {
			names[v.Variable] = true
		}
		for _, i := range v.Items {
			note(i.Value)
		}
		for _, a := range v.Args {
			note(a.Value)
		}
	}
	for _, c := range in.Calls[from:] {
		if c.Kind == mutate.CallMethod {
			names[c.On] = true
		}
		for _, a := range c.Args {
			note(a.Value)
		}
	}
	return names
}

// Without leaves out a call, and those that only made what nobody names any more; nil where
// it makes something that others need, or is the last.
func (in *Input) Without(n int) *Input {
	if n >= len(in.Calls)-1 || in.Calls[n].Into != "" && in.used(n + 1)[in.Calls[n].Into] {
		return nil
	}
	out := in.clone()
	out.Calls = slices.Delete(out.Calls, n, n+1)
	out.tidy()
	return out
}

// tidy takes out objects that nobody names.
func (in *Input) tidy() {
	for i := len(in.Calls) - 2; i >= 0; i-- {
		c := in.Calls[i]
		if c.Into != "" && !in.used(i + 1)[c.Into] && c.Kind == mutate.CallNew {
			in.Calls = slices.Delete(in.Calls, i, i+1)
		}
	}
}

// Setup writes jobs for the harness.
func Setup(jobs []*Job) (json.RawMessage, error) { return json.Marshal(jobs) }

// Mentions reports whether a text of an input holds one of some.
func (in *Input) Mentions(any []string) bool {
	var holds func(v mutate.Value) bool
	holds = func(v mutate.Value) bool {
		return slices.ContainsFunc(any, func(s string) bool { return s != "" && strings.Contains(v.String, s) }) ||
			slices.ContainsFunc(v.Items, func(i mutate.Item) bool { return holds(i.Key) || holds(i.Value) }) ||
			slices.ContainsFunc(v.Args, func(a mutate.Argument) bool { return holds(a.Value) })
	}
	return slices.ContainsFunc(in.Calls, func(c mutate.Call) bool {
		return slices.ContainsFunc(c.Args, func(a mutate.Argument) bool { return holds(a.Value) })
	})
}

// ToVariable has an argument of the last call be a variable, so that it can be looked at
// afterwards.
func (in *Input) ToVariable(argument int) *Input {
	v := in.Last().Args[argument].Value
	if v.Kind != mutate.ValueNew {
		return in
	}
	out := in.clone()
	names := namer{taken: map[string]bool{}}
	for _, c := range out.Calls {
		names.taken[c.Into] = true
	}
	name := names.name(v.Class)
	n := len(out.Calls) - 1
	out.Calls[n].Args[argument].Value = variable(name)
	out.Calls = slices.Insert(out.Calls, n, mutate.Call{Kind: mutate.CallNew, Class: v.Class, Args: v.Args, Into: name})
	return out
}
