package proving

import (
	"math"
	"slices"
	"strings"

	"assay/mutate"
)

// Smaller gives inputs that are simpler than one, the simplest first: fewer calls, arguments
// that need not be given left out, shorter texts, arrays and numbers. None has
// something that the other has not, but for the numbers.
func (r *Recording) Smaller(in *Input) []*Input {
	var out []*Input
	v := Variation{r: r, words: &Words{}}
	add := func(to *Input) {
		if to != nil && to.Size() < in.Size() {
			out = append(out, to)
		}
	}
	for _, s := range v.sites(in) {
		for _, to := range shorter(s.value) {
			add(in.with(s, to))
		}
	}
	for i := range in.Calls {
		add(in.Without(i))
		parameters, _ := r.Parameters(&in.Calls[i])
		n := len(in.Calls[i].Args)
		if n > 0 && n <= len(parameters) && parameters[n-1].Optional {
			fewer := in.clone()
			fewer.Calls[i].Args = fewer.Calls[i].Args[:n-1]
			fewer.tidy()
			add(fewer)
		}
	}
	slices.SortStableFunc(out, func(a, b *Input) int { return a.Size() - b.Size() })
	return out[:min(len(out), 150)]
}

// shorter gives parts of a value.
func shorter(v mutate.Value) (out []mutate.Value) {
	switch v.Kind {
	case mutate.ValueString:
		s := v.String
		for _, sep := range []string{"\n", " "} {
			if parts := strings.Split(s, sep); len(parts) > 1 && len(parts) <= 30 {
				for i := range parts {
					out = append(out, text(strings.Join(slices.Delete(slices.Clone(parts), i, i+1), sep)))
				}
			}
		}
		if len(s) > 3 {
			out = append(out, text(s[:len(s)/2]), text(s[len(s)/2:]), text(s[:len(s)-1]), text(s[1:]))
		}
		if len(s) > 3 && len(s) <= 40 {
			for i := 1; i < len(s)-1; i++ {
				out = append(out, text(s[:i]+s[i+1:]))
			}
		}
		out = slices.DeleteFunc(out, func(t mutate.Value) bool { return !isWhole(t.String) && isWhole(s) })
	case mutate.ValueInt:
		if digits(v) > shortNumber {
			for _, n := range []int64{0, 1, 2, 10, 100, 1000} {
				if v.Int < 0 {
					n = -n
				}
				out = append(out, integer(n))
			}
			out = append(out, integer(v.Int/1000), integer(v.Int/10))
		}
	case mutate.ValueFloat:
		if digits(v) > shortNumber {
			for _, f := range []float64{0.5, 1, 1.5, 10, 1000} {
				out = append(out, float(math.Copysign(f, v.Float)))
			}
			out = append(out, float(0), float(math.Trunc(v.Float)))
			if tenths := math.Round(v.Float * 10); !math.IsInf(tenths, 0) {
				out = append(out, float(tenths/10))
			}
		}
	case mutate.ValueArray:
		list := isList(v.Items)
		cut := func(items []mutate.Item) { out = append(out, asList(items, list)) }
		n := len(v.Items)
		if n > 3 {
			cut(slices.Clone(v.Items[:n/2]))
			cut(slices.Clone(v.Items[n/2:]))
		}
		for i := range min(n, 20) {
			cut(slices.Delete(slices.Clone(v.Items), i, i+1))
		}
	}
	return out
}

func isWhole(s string) bool { return strings.ToValidUTF8(s, "") == s }
