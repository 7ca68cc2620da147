package proving

import (
	"bytes"
	"cmp"
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	"assay/mutate"
)

// Answer is what came of a job, as Prover.php tells it.
type Answer struct {
	ID                      int
	Original, Again, Mutant []*Line // by input; nil where the process ended with it
}

// Line is what came of one input on one side.
type Line struct {
	Reached bool
	Other   bool // the mutant's value was observed to be another one
	State   State
	Call    int // of CallFailed, the number of the call
	Digest  string
	Tree    json.RawMessage
	Passed  []int // points, where the job asks for them
}

// State says whether what was seen of an input counts.
type State int

// The states of a Line.
const (
	Counts State = iota
	Refused
	Warned
	CallFailed // a call before the last threw an exception
)

// UnmarshalJSON reads a line's list.
func (l *Line) UnmarshalJSON(b []byte) error {
	var reached, state int
	if err := json.Unmarshal(b, &[]any{&reached, &state, &l.Digest, &l.Tree, &l.Passed}); err != nil {
		return err
	}
	l.Reached, l.Other, l.State = reached&1 != 0, reached&2 != 0, State(state)
	if state >= int(CallFailed) {
		l.State, l.Call = CallFailed, state-int(CallFailed)
	}
	return nil
}

// ReadAnswer reads one.
func ReadAnswer(told string) (a Answer, err error) {
	if err = json.Unmarshal([]byte(told), &a); err != nil {
		return a, fmt.Errorf("what came of inputs: %w", err)
	}
	return a, nil
}

// At gives the line of an input; nil where there is none.
func At(lines []*Line, i int) *Line {
	if i < len(lines) {
		return lines[i]
	}
	return nil
}

// Differ reports whether two sides of an input are both there, count, and are not alike.
// What the mutant warns of does not matter: the original does not.
func Differ(original, mutant *Line) bool {
	return original != nil && mutant != nil && original.State == Counts && (mutant.State == Counts || mutant.State == Warned) && original.Digest != mutant.Digest
}

// tree is the outcome of an input; see ProverOutcome.php.
type tree struct {
	Same      bool              `json:"same"`
	Result    json.RawMessage   `json:"result"`
	Thrown    *node             `json:"thrown"`
	Output    json.RawMessage   `json:"output"`
	Receiver  json.RawMessage   `json:"receiver"`
	Arguments []json.RawMessage `json:"arguments"`
	Seen      json.RawMessage   `json:"seen"`
	Lost      string            `json:"lost"`
}

// node is a part of it that is not plain.
type node struct {
	Class      *string              `json:"O"`
	Again      *string              `json:"R"`
	Properties [][2]json.RawMessage `json:"p"`
	Methods    [][2]json.RawMessage `json:"m"`
	Iterated   json.RawMessage      `json:"i"`
	Elements   [][2]json.RawMessage `json:"A"`
	Count      int                  `json:"n"`
	Thrown     []json.RawMessage    `json:"T"`
}

// look is a mutate.Look as Prover.php reads it.
type look struct {
	Kind     string   `json:"kind"`
	Argument int      `json:"argument"`
	Path     [][2]any `json:"path"`
}

var lookWords = map[mutate.LookKind]string{mutate.LookResult: "result", mutate.LookThrown: "thrown", mutate.LookArgument: "argument",
	mutate.LookReceiver: "receiver", mutate.LookOutput: "output"}

var accessWords = map[mutate.AccessKind]string{mutate.AccessProperty: "property", mutate.AccessMethod: "method", mutate.AccessKey: "key",
	mutate.AccessClass: "class", mutate.AccessAll: "all"}

// LookAt has a job look at one thing only.
func (j *Job) LookAt(l mutate.Look) {
	w := &look{Kind: lookWords[l.Kind], Argument: l.Argument, Path: [][2]any{}}
	for _, a := range l.Path {
		name := any(a.Name)
		if a.Kind == mutate.AccessKey {
			name = encoded(a.Key)
		}
		w.Path = append(w.Path, [2]any{accessWords[a.Kind], name})
	}
	j.Look = w
}

// longestValue bounds what a test is to write down of an outcome, in bytes.
const longestValue = 2048

// A ranked look has a number that is lower for what is plainer to assert.
type ranked struct {
	mutate.Look
	rank int
}

// Looks gives what a test can look at to tell two outcomes apart, the plainest first.
func Looks(original, mutant json.RawMessage) []mutate.Look {
	var a, b tree
	if json.Unmarshal(original, &a) != nil || json.Unmarshal(mutant, &b) != nil {
		return nil
	}
	var c comparer
	switch {
	case a.Thrown != nil || b.Thrown != nil:
		c.thrown(&a, &b)
	case !a.Same && !b.Same && len(a.Result) > 0 && len(b.Result) > 0:
		c.compare(mutate.Look{Kind: mutate.LookResult}, a.Result, b.Result, 0)
	}
	if len(a.Output) > 0 || len(b.Output) > 0 {
		c.compare(mutate.Look{Kind: mutate.LookOutput}, orEmpty(a.Output), orEmpty(b.Output), 30)
	}
	if len(a.Receiver) > 0 && len(b.Receiver) > 0 && a.Thrown == nil && b.Thrown == nil {
		c.compare(mutate.Look{Kind: mutate.LookReceiver}, a.Receiver, b.Receiver, 40)
	}
	for i := range min(len(a.Arguments), len(b.Arguments)) {
		var x, y [2]json.RawMessage
		var n int
		if json.Unmarshal(a.Arguments[i], &x) == nil && json.Unmarshal(b.Arguments[i], &y) == nil && json.Unmarshal(x[0], &n) == nil && a.Thrown == nil && b.Thrown == nil {
			c.compare(mutate.Look{Kind: mutate.LookArgument, Argument: n}, x[1], y[1], 60)
		}
	}
	slices.SortStableFunc(c.found, func(x, y ranked) int { return cmp.Or(x.rank-y.rank, len(x.Path)-len(y.Path)) })
	var out []mutate.Look
	for _, f := range c.found {
		out = append(out, f.Look)
	}
	return out
}

func orEmpty(b json.RawMessage) json.RawMessage {
	if len(b) == 0 {
		return json.RawMessage(`""`)
	}
	return b
}

// Rank says how plain a look is: lower is plainer.
func Rank(l mutate.Look) int {
	n := 2*len(l.Path) + map[mutate.LookKind]int{mutate.LookThrown: 10, mutate.LookOutput: 30, mutate.LookReceiver: 40, mutate.LookArgument: 60}[l.Kind]
	if isOfPHP(l.Original) {
		n += 100
	}
	if k := l.Original.Value.Kind; k == mutate.ValueArray || k == mutate.ValueNew {
		n++
	}
	return n
}

// isOfPHP reports whether an exception is one that says that code is wrong.
func isOfPHP(o mutate.Outcome) bool {
	return o.Thrown && slices.Contains([]string{"TypeError", "ArgumentCountError", "Error", "ValueError", "ArithmeticError", "DivisionByZeroError", "UnhandledMatchError", "AssertionError"}, o.Class)
}

// comparer collects the differences between two outcomes.
type comparer struct{ found []ranked }

func (c *comparer) add(l mutate.Look, a, b mutate.Outcome, rank int) {
	l.Original, l.Mutant = a, b
	l.Path = slices.Clone(l.Path)
	c.found = append(c.found, ranked{l, rank + Rank(l)})
}

// thrown compares outcomes of which at least one is an exception.
func (c *comparer) thrown(a, b *tree) {
	x, y := outcomeOf(a.Result), outcomeOf(b.Result)
	if a.Thrown != nil {
		x = a.Thrown.exception()
	}
	if b.Thrown != nil {
		y = b.Thrown.exception()
	}
	if a.Thrown == nil {
		if b.Thrown != nil && x.Value.Kind != mutate.ValueUnset { // the original gives something, the mutant throws
			c.add(mutate.Look{Kind: mutate.LookResult}, x, y, 0)
		} else if b.Thrown != nil && len(a.Result) > 0 || a.Same {
			c.add(mutate.Look{Kind: mutate.LookResult, Path: []mutate.Access{{Kind: mutate.AccessClass}}}, x, y, 2)
		}
		return
	}
	if y.Thrown && x.Class == y.Class && x.Message == y.Message && x.Code == y.Code {
		return
	}
	c.add(mutate.Look{Kind: mutate.LookThrown}, x, y, 0)
}

func (n *node) exception() mutate.Outcome {
	o := mutate.Outcome{Thrown: true}
	if len(n.Thrown) == 3 {
		json.Unmarshal(n.Thrown[0], &o.Class)
		if v, err := decoded(n.Thrown[1]); err == nil {
			o.Message = v.String
		}
		json.Unmarshal(n.Thrown[2], &o.Code)
	}
	o.Text = oneLine(strings.TrimSuffix(o.Class+": "+o.Message, ": "))
	return o
}

// outcomeOf gives a part of an outcome as a value, if it is plain, or by its class.
func outcomeOf(b json.RawMessage) mutate.Outcome {
	var o mutate.Outcome
	if len(b) == 0 {
		return o
	}
	if v, err := decoded(b); err == nil {
		o.Value, o.Text = v, oneLine(Text(v))
		if v.Kind == mutate.ValueNew || v.Kind == mutate.ValueCase {
			o.Class = v.Class
		}
		return o
	}
	var n node
	if json.Unmarshal(b, &n) == nil {
		switch {
		case n.Class != nil:
			o.Class = *n.Class
			o.Text = oneLine("object of " + o.Class)
		case n.Thrown != nil:
			return n.exception()
		case n.Elements != nil || n.Count > 0:
			o.Text = fmt.Sprintf("array of %d", n.Count)
		}
	}
	return o
}

// compare looks for differences below two nodes.
func (c *comparer) compare(at mutate.Look, a, b json.RawMessage, rank int) {
	if len(a) == 0 || len(b) == 0 || bytes.Equal(a, b) || len(at.Path) > 6 || len(c.found) > 40 {
		return
	}
	x, y := outcomeOf(a), outcomeOf(b)
	var left, right node
	isNode := json.Unmarshal(a, &left) == nil && json.Unmarshal(b, &right) == nil
	if isPlain(x) {
		if size(x.Value) <= longestValue && (y.Value.Kind != mutate.ValueUnset || y.Class != "" || y.Text != "") {
			c.add(at, x, y, rank)
		}
		if x.Value.Kind == mutate.ValueArray && y.Value.Kind == mutate.ValueArray && len(x.Value.Items) > 1 {
			if size(x.Value) > 40 && !isList(x.Value.Items) {
				rank -= 3 // what has names is looked at by them
			}
			if size(x.Value) > 40 {
				c.elements(at, x.Value, y.Value, rank)
			}
		}
		return
	}
	if isNode && left.Class != nil {
		if x.Class != y.Class {
			c.add(step(at, mutate.Access{Kind: mutate.AccessClass}), outcomeOfText(x.Class), mutate.Outcome{Class: y.Class, Value: y.Value, Text: y.Text}, rank+2)
			return
		}
		c.object(at, &left, &right, rank)
		return
	}
	if isNode && left.Elements != nil && right.Elements != nil {
		c.pairs(at, mutate.AccessKey, left.Elements, right.Elements, rank)
	}
}

func isPlain(o mutate.Outcome) bool { return o.Value.Kind != mutate.ValueUnset }

func outcomeOfText(s string) mutate.Outcome { return mutate.Outcome{Value: text(s), Text: oneLine(s)} }

func step(l mutate.Look, a mutate.Access) mutate.Look {
	l.Path = append(slices.Clone(l.Path), a)
	return l
}

// elements compares large plain arrays element by element.
func (c *comparer) elements(at mutate.Look, a, b mutate.Value, rank int) {
	for _, i := range a.Items {
		for _, j := range b.Items {
			if same(i.Key, j.Key) && !same(i.Value, j.Value) {
				x, _ := json.Marshal(encoded(i.Value))
				y, _ := json.Marshal(encoded(j.Value))
				c.compare(step(at, mutate.Access{Kind: mutate.AccessKey, Key: i.Key}), x, y, rank)
			}
		}
	}
}

func (c *comparer) object(at mutate.Look, a, b *node, rank int) {
	c.pairs(at, mutate.AccessMethod, a.Methods, b.Methods, rank)
	c.pairs(at, mutate.AccessProperty, a.Properties, b.Properties, rank)
	if len(a.Iterated) > 0 && len(b.Iterated) > 0 {
		c.compare(step(at, mutate.Access{Kind: mutate.AccessAll}), a.Iterated, b.Iterated, rank+1)
	}
}

// pairs compares what has the same name on both sides.
func (c *comparer) pairs(at mutate.Look, kind mutate.AccessKind, a, b [][2]json.RawMessage, rank int) {
	for _, x := range a {
		for _, y := range b {
			if !bytes.Equal(x[0], y[0]) {
				continue
			}
			name, err := decoded(x[0])
			if err != nil {
				continue
			}
			access := mutate.Access{Kind: kind, Name: name.String}
			if kind == mutate.AccessKey {
				access = mutate.Access{Kind: kind, Key: name}
			}
			c.compare(step(at, access), x[1], y[1], rank)
		}
	}
}

// Confirm holds together what a look saw on the original, twice, and on the mutant, each in a
// process of its own; ok is false where that does not tell them apart.
func Confirm(l mutate.Look, original, again, mutant json.RawMessage) (_ mutate.Look, ok bool) {
	if !bytes.Equal(original, again) || bytes.Equal(original, mutant) {
		return l, false
	}
	var a, b tree
	if json.Unmarshal(original, &a) != nil || json.Unmarshal(mutant, &b) != nil || a.Lost != "" {
		return l, false
	}
	l.Original, l.Mutant = a.look(), b.look()
	return l, l.Original.Thrown || isPlain(l.Original)
}

// look gives what a tree of one look has.
func (t *tree) look() mutate.Outcome {
	switch {
	case t.Thrown != nil:
		return t.Thrown.exception()
	case t.Lost != "":
		return mutate.Outcome{Text: "not there: " + t.Lost}
	}
	return outcomeOf(t.Seen)
}
