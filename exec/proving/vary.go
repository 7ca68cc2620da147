package proving

import (
	"math/rand/v2"
	"slices"
	"strings"

	"assay/mutate"
)

// A Variation makes inputs out of recorded ones. The same seed gives the same inputs.
type Variation struct {
	r      *Recording
	words  *Words
	rand   *rand.Rand
	corpus []*Input // recorded, and those that turned out to reach the change in a new way
	seen   map[string]bool
	bases  []*Input   // of which not each thing has been changed yet
	lists  []*changes // of which there is a turn now
	turn   int
	given  int
	tries  int // random ones that were new to nobody, in a row
	known  map[string][]mutate.Value
}

// changes are those of one thing in an input.
type changes struct {
	in     *Input
	site   site
	values []mutate.Value
	others []*Input // instead, of calls
}

func (c *changes) next() (in *Input) {
	switch {
	case len(c.values) > 0:
		in, c.values = c.in.with(c.site, c.values[0]), c.values[1:]
	case len(c.others) > 0:
		in, c.others = c.others[0], c.others[1:]
	}
	return in
}

// NewVariation varies inputs that reach the change.
func NewVariation(r *Recording, bases []*Input, words *Words, seed uint64, id string) *Variation {
	h := uint64(14695981039346656037) // FNV-1a, by which each mutant has inputs of its own
	for _, c := range []byte(id) {
		h = (h ^ uint64(c)) * 1099511628211
	}
	v := &Variation{r: r, words: words, rand: rand.New(rand.NewPCG(seed, h)), seen: map[string]bool{}, corpus: slices.Clone(bases),
		bases: bases, known: map[string][]mutate.Value{}}
	for _, in := range bases {
		v.seen[in.Key()] = true
	}
	return v
}

// atATime is how many inputs take turns in having one thing changed.
const atATime = 8

// alone is how many inputs have one thing changed before such take turns with those in which
// several are.
const alone = 400

// systematic changes one thing in an input, taking turns between the things; nil where all
// have been changed in all ways.
func (v *Variation) systematic() *Input {
	for {
		if len(v.lists) == 0 {
			if len(v.bases) == 0 {
				return nil
			}
			n := min(atATime, len(v.bases))
			for _, in := range v.bases[:n] {
				for _, s := range v.sites(in) {
					v.lists = append(v.lists, &changes{in: in, site: s, values: v.candidates(in, s)})
				}
				v.lists = append(v.lists, &changes{others: v.otherCalls(in)})
			}
			v.bases, v.turn = v.bases[n:], 0
			continue
		}
		v.turn %= len(v.lists)
		if in := v.lists[v.turn].next(); in != nil {
			v.turn++
			return in
		}
		v.lists = slices.Delete(v.lists, v.turn, v.turn+1)
	}
}

// Next gives up to n inputs that were not given before.
func (v *Variation) Next(n int) []*Input {
	var out []*Input
	for len(out) < n && v.tries <= 200 {
		var in *Input
		if v.given++; v.given <= alone || v.given%2 == 0 {
			in = v.systematic()
		}
		if in == nil && len(v.corpus) > 0 {
			in = v.random()
		}
		if in == nil || v.seen[in.Key()] {
			v.tries++
			continue
		}
		v.tries = 0
		v.seen[in.Key()] = true
		out = append(out, in)
	}
	return out
}

// Keep has an input varied further: it reached the change, and its outcome is a new one.
func (v *Variation) Keep(in *Input) {
	if len(v.corpus) < 400 {
		v.corpus = append(v.corpus, in)
	}
}

// random changes some things in an input at once.
func (v *Variation) random() *Input {
	// Half of the time of the newer half: what was found there was reached by several steps.
	i := v.rand.IntN(len(v.corpus))
	if v.rand.IntN(2) == 0 {
		i = len(v.corpus) - 1 - v.rand.IntN((len(v.corpus)+1)/2)
	}
	in := v.corpus[i]
	for range 1 + v.rand.IntN(3) {
		if v.rand.IntN(6) == 0 {
			if others := v.otherCalls(in); len(others) > 0 {
				in = others[v.rand.IntN(len(others))]
			}
			continue
		}
		sites := v.sites(in)
		if len(sites) == 0 {
			break
		}
		s := sites[v.rand.IntN(len(sites))]
		if to := v.candidates(in, s); len(to) > 0 {
			in = in.with(s, to[v.rand.IntN(len(to))])
		}
	}
	return in
}

// A site is a value of an input that can be another one.
type site struct {
	call, arg int
	path      []int // of items, or of arguments of what is made by new
	value     mutate.Value
	parameter *Parameter // of the whole argument; nil within one, or where it is not known
}

// sites gives them, those of the last call first.
func (v *Variation) sites(in *Input) (out []site) {
	for c := len(in.Calls) - 1; c >= 0; c-- {
		call := &in.Calls[c]
		if call.Kind == mutate.CallFunction && call.Name == "constant" {
			continue
		}
		parameters, _ := v.r.Parameters(call)
		for a := range call.Args {
			var p *Parameter
			if len(parameters) > 0 && (a < len(parameters) || parameters[len(parameters)-1].Variadic) {
				p = &parameters[min(a, len(parameters)-1)]
			}
			out = append(out, sitesIn(site{c, a, nil, call.Args[a].Value, p}, 0)...)
		}
	}
	return out
}

func sitesIn(s site, depth int) []site {
	out := []site{s}
	if s.value.Kind == mutate.ValueArray && depth < 4 {
		for i, item := range s.value.Items[:min(len(s.value.Items), 8)] {
			out = append(out, sitesIn(site{s.call, s.arg, append(slices.Clone(s.path), i), item.Value, nil}, depth+1)...)
		}
	}
	return out
}

// with puts a value in place of another.
func (in *Input) with(s site, to mutate.Value) *Input {
	out := in.clone()
	out.Changed++
	at := &out.Calls[s.call].Args[s.arg].Value
	for _, i := range s.path {
		at.Items = slices.Clone(at.Items)
		at = &at.Items[i].Value
	}
	*at = to
	out.tidy()
	return out
}

// otherCalls leaves out calls, makes some twice, and leaves out or adds arguments that need
// not be given.
func (v *Variation) otherCalls(in *Input) (out []*Input) {
	add := func(to *Input) {
		if to != nil {
			to.Changed++
			out = append(out, to)
		}
	}
	for i := range in.Calls {
		add(in.Without(i))
		if in.Calls[i].Kind == mutate.CallMethod && len(in.Calls) < mostCalls {
			twice := in.clone()
			again := in.Calls[i]
			again.Into, again.Args = "", slices.Clone(again.Args)
			twice.Calls = slices.Insert(twice.Calls, i, again)
			add(twice)
		}
		if i > 0 && i < len(in.Calls)-1 && in.Calls[i].Kind == mutate.CallMethod && in.Calls[i-1].Kind == mutate.CallMethod && in.Calls[i].Into == "" && in.Calls[i-1].Into == "" {
			swapped := in.clone()
			swapped.Calls[i], swapped.Calls[i-1] = swapped.Calls[i-1], swapped.Calls[i]
			add(swapped)
		}
		parameters, _ := v.r.Parameters(&in.Calls[i])
		n := len(in.Calls[i].Args)
		if n > 0 && n <= len(parameters) && parameters[n-1].Optional {
			fewer := in.clone()
			fewer.Calls[i].Args = fewer.Calls[i].Args[:n-1]
			add(fewer)
		}
		if n < len(parameters) {
			for _, value := range v.ofTypes(in, &parameters[n]) {
				more := in.clone()
				more.Calls[i].Args = append(more.Calls[i].Args, mutate.Argument{Value: value})
				add(more)
			}
		}
	}
	return out
}

// ofTypes gives values that a parameter takes, whatever it was given before.
func (v *Variation) ofTypes(in *Input, p *Parameter) (out []mutate.Value) {
	for _, t := range p.Types {
		switch strings.ToLower(t) {
		case "int":
			out = append(out, integer(0), integer(1), integer(2), integer(-1))
		case "float":
			out = append(out, float(0), float(1.5), float(-1))
		case "bool", "true", "false":
			out = append(out, boolean(true), boolean(false))
		case "string":
			out = append(out, text(""), text("a"))
		case "null":
			out = append(out, null())
		case "array", "iterable":
			out = append(out, array())
		}
	}
	for _, c := range p.Cases {
		out = append(out, mutate.Value{Kind: mutate.ValueCase, Class: c[0], Name: c[1]})
	}
	if len(p.Types) == 0 {
		out = append(out, null(), boolean(true), boolean(false), integer(1), text("a"))
	}
	return out
}

// takes reports whether a parameter takes values of a kind; all are taken where nothing is
// declared.
func (p *Parameter) takes(k mutate.ValueKind) bool {
	if p == nil || len(p.Types) == 0 {
		return true
	}
	word := map[mutate.ValueKind]string{mutate.ValueNull: "null", mutate.ValueBool: "bool", mutate.ValueInt: "int", mutate.ValueFloat: "float",
		mutate.ValueString: "string", mutate.ValueArray: "array"}[k]
	return slices.ContainsFunc(p.Types, func(t string) bool {
		t = strings.ToLower(t)
		return t == word || t == "mixed" || t == "iterable" && word == "array" || t == "float" && word == "int" ||
			t == "false" && word == "bool" || t == "callable" && word == "string"
	})
}
