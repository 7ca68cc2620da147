package proving

import (
	"math"
	"slices"
	"strings"
	"testing"

	"assay/mutate"
)

// told is what a recorder tells of a suite that makes a basket, puts things in, and asks.
const told = `[
	["class", "Shop\\Basket", ["Shop\\Holder"]],
	["function", "Shop\\Basket::", [{"name": "most", "types": ["int"], "cases": [], "optional": true, "variadic": false, "reference": false}]],
	["function", "Shop\\Basket::put", [{"name": "what", "types": ["string"], "cases": [], "optional": false, "variadic": false, "reference": false},
		{"name": "times", "types": ["int"], "cases": [], "optional": true, "variadic": false, "reference": false}]],
	["call", 1, 0, 10, "new", "Shop\\Basket", "", 1, [5], false],
	["call", 2, 0, 11, "method", "Shop\\Basket", "put", {"o": 1}, ["pear", 2], false],
	["reached", 2, [11, 13]],
	["call", 3, 0, 12, "method", "Shop\\Basket", "count", {"o": 1}, [], false],
	["reached", 3, [12]],
	["class", "Shop\\Double", ["Shop\\Holder"]],
	["function", "Shop\\weigh", [{"name": "basket", "types": ["Shop\\Holder"], "cases": [], "optional": false, "variadic": false, "reference": false}]],
	["call", 4, 1, 14, "function", "", "Shop\\weigh", null, [{"y": "Shop\\Double"}], false],
	["class", "Shop\\Box", ["Shop\\Holder"]],
	["call", 8, 1, 17, "new", "Shop\\Box", "", 3, [{"y": "Shop\\Double"}], false],
	["call", 9, 1, 18, "method", "Shop\\Box", "open", {"o": 3}, [], false],
	["function", "Shop\\carry", [{"name": "box", "types": ["Shop\\Box"], "cases": [], "optional": false, "variadic": false, "reference": false}]],
	["call", 10, 1, 19, "function", "", "Shop\\carry", null, [{"y": "Shop\\Double"}], false],
	["call", 5, 1, 15, "function", "", "Shop\\log", null, [{"x": "a resource"}], false],
	["call", 6, 1, 16, "static", "Shop\\Basket", "of", null, [{"a": [["k", {"f": "1.5"}]]}], false],
	["made", 6, 2, "Shop\\Basket"],
	["call", 7, 1, 12, "method", "Shop\\Basket", "count", {"o": 2}, [], false]
]`

func recorded(t *testing.T) *Recording {
	t.Helper()
	r, err := NewRecording([]string{told})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// lines writes the calls of inputs, an input a line.
func lines(all []*Input) (out []string) {
	for _, in := range all {
		var calls []string
		for _, c := range in.Calls {
			calls = append(calls, CallText(c))
		}
		out = append(out, strings.Join(calls, "; "))
	}
	return out
}

// TestInputs: a call has before it what makes its objects, and other objects stand for those
// that nobody saw being made.
func TestInputs(t *testing.T) {
	r := recorded(t)
	for _, c := range []struct {
		point         int
		direct, later []string
		why           string
	}{
		{10, []string{`new Shop\Basket(5)`}, []string{`$basket = new Shop\Basket(5); $basket->put('pear', 2)`, `$basket = new Shop\Basket(5); $basket->put('pear', 2); $basket->count()`}, ""},
		{13, []string{`$basket = new Shop\Basket(5); $basket->put('pear', 2)`}, []string{`$basket = new Shop\Basket(5); $basket->put('pear', 2); $basket->count()`}, ""},
		{12, []string{`$basket = Shop\Basket::of(['k' => 1.5]); $basket->count()`, `$basket = new Shop\Basket(5); $basket->put('pear', 2); $basket->count()`}, nil, ""},
		{14, []string{`$basket = new Shop\Basket(5); $basket->put('pear', 2); $basket->count(); Shop\weigh($basket)`}, nil, ""},
		{18, []string{`$basket = new Shop\Basket(5); $basket->put('pear', 2); $basket->count(); $box = new Shop\Box($basket); $box->open()`}, nil, ""},
		{19, []string{`$basket = new Shop\Basket(5); $basket->put('pear', 2); $basket->count(); $box = new Shop\Box($basket); $box->open(); Shop\carry($box)`}, nil, ""},
		{15, nil, nil, "a resource"},
	} {
		direct, later, why := r.Inputs(c.point)
		if got := lines(direct); !slices.Equal(got, c.direct) {
			t.Errorf("point %d: %q, want %q", c.point, got, c.direct)
		}
		if got := lines(later); !slices.Equal(got, c.later) {
			t.Errorf("point %d, later: %q, want %q", c.point, got, c.later)
		}
		if (c.why == "") != (len(why) == 0) || c.why != "" && why[c.why] != 1 {
			t.Errorf("point %d: %v, want %q", c.point, why, c.why)
		}
		for _, in := range direct {
			if changed := c.point == 14 || c.point >= 18; (in.Changed > 0) != changed {
				t.Errorf("point %d: changed %d times", c.point, in.Changed)
			}
		}
	}
}

// TestVariationsAreRepeated: the same seed gives the same inputs, each once, with values that
// the parameters take; the literals of the code and their neighbours are among them.
func TestVariationsAreRepeated(t *testing.T) {
	words := &Words{Ints: []int64{12}, Strings: []string{"plum"}}
	vary := func(seed uint64) (out []string, all []*Input) {
		r := recorded(t)
		bases, _, _ := r.Inputs(11)
		v := NewVariation(r, bases, words, seed, "m")
		for range 4 {
			all = append(all, v.Next(100)...)
		}
		return lines(all), all
	}
	first, all := vary(1)
	second, _ := vary(1)
	other, _ := vary(2)
	if !slices.Equal(first, second) {
		t.Error("the same seed gives other inputs")
	}
	if slices.Equal(first, other) {
		t.Error("another seed gives the same inputs")
	}
	if sorted := slices.Sorted(slices.Values(first)); len(slices.Compact(sorted)) != len(first) || len(first) < 300 {
		t.Errorf("of %d inputs some are twice there", len(first))
	}
	for _, want := range []string{`put('plum', 2)`, `put('pear', 12)`, `put('pear', 13)`, `put('pear', 11)`, `put('pear', 0)`, `put('pear')`, `put('', 2)`, `put('PEAR', 2)`, `new Shop\Basket()`} {
		if !slices.ContainsFunc(first, func(s string) bool { return strings.Contains(s, want) }) {
			t.Errorf("there is no %s", want)
		}
	}
	for _, in := range all {
		for _, c := range in.Calls {
			if c.Name == "put" && (c.Args[0].Value.Kind != mutate.ValueString || len(c.Args) > 1 && c.Args[1].Value.Kind != mutate.ValueInt) {
				t.Errorf("%s has values of other types", CallText(c))
			}
		}
	}
}

// TestSmaller: what is smaller has fewer calls, fewer arguments or shorter texts.
func TestSmaller(t *testing.T) {
	r := recorded(t)
	direct, _, _ := r.Inputs(12)
	in := direct[1] // the basket, a pear, and the question
	got := lines(r.Smaller(in))
	for _, want := range []string{`$basket = new Shop\Basket(5); $basket->count()`, `$basket = new Shop\Basket(); $basket->put('pear', 2); $basket->count()`,
		`$basket = new Shop\Basket(5); $basket->put('pear'); $basket->count()`, `$basket = new Shop\Basket(5); $basket->put('pe', 2); $basket->count()`} {
		if !slices.Contains(got, want) {
			t.Errorf("%q lacks %s", got, want)
		}
	}
	for _, small := range r.Smaller(in) {
		if small.Size() >= in.Size() {
			t.Errorf("%q is not smaller", lines([]*Input{small}))
		}
	}
}

// TestShorterNumbers: long numbers become short ones of the same kind and sign; short ones stay.
func TestShorterNumbers(t *testing.T) {
	for _, c := range []struct {
		from mutate.Value
		want []mutate.Value
	}{
		{integer(math.MaxInt64), []mutate.Value{integer(0), integer(1), integer(1000), integer(math.MaxInt64 / 10)}},
		{integer(math.MinInt64), []mutate.Value{integer(0), integer(-1), integer(-1000), integer(math.MinInt64 / 10)}},
		{float(-1234.56789), []mutate.Value{float(0), float(-0.5), float(-1234), float(-1234.6)}},
		{integer(300), nil},
		{float(0.5), nil},
		{float(math.NaN()), nil},
		{float(math.MaxFloat64), []mutate.Value{float(0), float(1000)}},
	} {
		got := shorter(c.from)
		if slices.ContainsFunc(got, func(v mutate.Value) bool { return math.IsInf(v.Float, 0) }) {
			t.Errorf("%v became %v", c.from, got)
		}
		if len(c.want) == 0 && len(got) > 0 {
			t.Errorf("%v became %v", c.from, got)
		}
		for _, want := range c.want {
			if !slices.ContainsFunc(got, func(v mutate.Value) bool { return v.Kind == want.Kind && v.Int == want.Int && v.Float == want.Float }) {
				t.Errorf("%v did not become %v: %v", c.from, want, got)
			}
		}
	}
	if long, short := size(integer(math.MaxInt64)), size(integer(300)); long <= short {
		t.Errorf("sizes %d and %d", long, short)
	}
}

// FuzzTold: whatever a process tells, reading it ends, and so does making inputs of it.
func FuzzTold(f *testing.F) {
	f.Add(told, `{"id": 1, "original": [[1, 0, "d", {"result": 1}, []], null], "mutant": [[1, 0, "e", {"result": {"O": "C"}}, []]]}`)
	f.Add(`[["call", 1, 0, 1, "new", "", "", 1, [{"n": ["DateTime", ["x"]]}], true], ["made", 1, 2, ""], ["lost", 1]]`, `{}`)
	f.Fuzz(func(t *testing.T, told, answer string) {
		if a, err := ReadAnswer(answer); err == nil && At(a.Original, 0) != nil && At(a.Mutant, 0) != nil {
			Looks(a.Original[0].Tree, a.Mutant[0].Tree)
			Confirm(mutate.Look{}, a.Original[0].Tree, a.Original[0].Tree, a.Mutant[0].Tree)
		}
		r, err := NewRecording([]string{told})
		if err != nil {
			return
		}
		direct, later, _ := r.Inputs(1, 10, 11, 12, 13, 14)
		NewVariation(r, append(direct, later...), &Words{}, 1, "m").Next(20)
		for _, in := range direct {
			r.Smaller(in)
		}
	})
}
