package proving

import (
	"fmt"
	"maps"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"assay/mutate"
)

// candidates gives values to put in place of one, the likeliest to tell something first.
func (v *Variation) candidates(in *Input, s site) []mutate.Value {
	others := v.others(in, s)
	key := candidatesKey(&in.Calls[s.call], s, others)
	out, is := v.known[key]
	if !is {
		out = v.makeCandidates(in, s, others)
		if len(v.known) > 2000 {
			clear(v.known)
		}
		v.known[key] = out
	}
	return out
}

// candidatesKey tells apart what the candidates depend on.
func candidatesKey(call *mutate.Call, s site, others []mutate.Value) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%d %s %s %d %d %s", call.Kind, call.Class, call.Name, s.arg, len(s.path), keyOf(s.value))
	for _, o := range others {
		b.WriteString(keyOf(o))
	}
	return b.String()
}

func (v *Variation) makeCandidates(in *Input, s site, others []mutate.Value) []mutate.Value {
	l := lister{p: s.parameter, seen: map[string]bool{keyOf(s.value): true}}
	switch s.value.Kind {
	case mutate.ValueInt:
		l.ints(s.value.Int, v.words, others)
	case mutate.ValueFloat:
		l.floats(s.value.Float, v.words, others)
	case mutate.ValueString:
		l.texts(s.value.String, v.words, others)
	case mutate.ValueBool:
		l.add(boolean(!s.value.Bool))
	case mutate.ValueArray:
		l.arrays(s.value, v.words)
	case mutate.ValueNew:
		l.dates(s.value, v.words, others)
	case mutate.ValueCase:
		for _, name := range v.r.cases[s.value.Class] {
			l.add(mutate.Value{Kind: mutate.ValueCase, Class: s.value.Class, Name: name})
		}
	case mutate.ValueVariable:
		for _, c := range in.Calls[:s.call] {
			if c.Into != "" && in.Classes[c.Into] == in.Classes[s.value.Variable] {
				l.add(variable(c.Into))
			}
		}
	}
	if len(s.path) == 0 {
		l.add(v.r.given(&in.Calls[s.call], s.arg)...)
	}
	if s.parameter != nil {
		l.add(v.ofTypes(in, s.parameter)...)
	} else if s.value.Kind != mutate.ValueNew && s.value.Kind != mutate.ValueVariable {
		l.add(null())
	}
	return l.out
}

// others gives what else stands in an input.
func (v *Variation) others(in *Input, s site) (out []mutate.Value) {
	for _, o := range v.sites(in) {
		if o.value.Kind == s.value.Kind && !same(o.value, s.value) {
			out = append(out, o.value)
		}
	}
	return out
}

// mostGiven bounds the values of a parameter that are taken from other calls of the suite.
const mostGiven = 30

// given gives what a parameter was given in the calls of the suite.
func (r *Recording) given(call *mutate.Call, argument int) []mutate.Value {
	all := r.arguments[callKey(call.Kind, call.Class, call.Name)]
	if argument >= len(all) {
		return nil
	}
	return all[argument]
}

func callKey(kind mutate.CallKind, class, name string) string {
	return fmt.Sprintf("%d %s %s", kind, class, name)
}

// collect notes the values that parameters were given.
func (r *Recording) collect() {
	r.arguments = map[string][][]mutate.Value{}
	seen := map[string]bool{}
	for _, n := range slices.Sorted(maps.Keys(r.calls)) {
		c := r.calls[n]
		key := callKey(c.kind, c.class, c.name)
		for i, a := range c.args {
			for len(r.arguments[key]) <= i {
				r.arguments[key] = append(r.arguments[key], nil)
			}
			if a.Kind == mutate.ValueUnset || hasObjects(a) || len(r.arguments[key][i]) >= mostGiven {
				continue
			}
			if is := fmt.Sprint(key, i, keyOf(a)); !seen[is] {
				seen[is] = true
				r.arguments[key][i] = append(r.arguments[key][i], a)
			}
		}
	}
}

func hasObjects(v mutate.Value) bool {
	return v.Kind == mutate.ValueVariable || slices.ContainsFunc(v.Items, func(i mutate.Item) bool { return hasObjects(i.Value) })
}

// lister collects values, each once, that a parameter takes.
type lister struct {
	p    *Parameter
	seen map[string]bool
	out  []mutate.Value
}

func (l *lister) add(values ...mutate.Value) {
	for _, v := range values {
		if k := v.Kind; k != mutate.ValueNew && k != mutate.ValueCase && k != mutate.ValueVariable && !l.p.takes(k) {
			continue
		}
		if key := keyOf(v); !l.seen[key] {
			l.seen[key] = true
			l.out = append(l.out, v)
		}
	}
}

func (l *lister) ints(n int64, w *Words, others []mutate.Value) {
	for _, o := range others {
		l.add(o)
	}
	l.add(integer(n+1), integer(n-1), integer(0), integer(1), integer(-1), integer(-n))
	for _, o := range others {
		l.add(integer(o.Int+1), integer(o.Int-1))
	}
	for _, d := range w.Ints {
		l.add(integer(d), integer(d+1), integer(d-1), integer(-d))
	}
	for _, f := range w.Floats {
		l.add(integer(int64(f)), integer(int64(f)+1))
	}
	l.add(integer(2*n), integer(n/2), integer(10*n), integer(2), integer(100), integer(math.MaxInt64), integer(math.MinInt64))
	for _, d := range w.Ints {
		l.add(integer(n+d), integer(n-d), integer(2*d))
	}
	l.add(float(float64(n)+0.5), text(strconv.FormatInt(n, 10)))
}

func (l *lister) floats(f float64, w *Words, others []mutate.Value) {
	for _, o := range others {
		l.add(o)
	}
	l.add(float(0), float(f+1), float(f-1), float(-f), float(f/2), float(2*f), float(0.5), float(1), float(-1))
	for _, d := range w.Floats {
		l.add(float(d), float(d+0.01), float(d-0.01), float(-d))
	}
	for _, d := range w.Ints {
		l.add(float(float64(d)), float(float64(d)+0.01), float(float64(d)-0.01), float(-float64(d)))
	}
	l.add(float(math.Floor(f)), float(f+0.005), float(f+0.001), float(f-0.001), float(1e9), float(1e-9))
}

func (l *lister) texts(s string, w *Words, others []mutate.Value) {
	l.dateTexts(s, w)
	for _, o := range others {
		l.add(o)
	}
	add := func(all ...string) {
		for _, t := range all {
			if len(t) <= 4000 && (utf8.ValidString(t) || !utf8.ValidString(s)) {
				l.add(text(t))
			}
		}
	}
	add("", " ", s+" ", " "+s, strings.ToUpper(s), strings.ToLower(s))
	if n, err := strconv.ParseInt(strings.TrimSpace(s), 10, 64); err == nil {
		add(strconv.FormatInt(n+1, 10), strconv.FormatInt(n-1, 10), strconv.FormatInt(-n, 10), "0"+s, s+".0", s+".5")
		for _, d := range w.Ints {
			add(strconv.FormatInt(d, 10), strconv.FormatInt(d+1, 10), strconv.FormatInt(d-1, 10))
		}
	}
	for _, d := range slices.Concat(w.Samples, w.Strings) {
		add(d, s+d, d+s, strings.Replace(s, " ", d, 1))
	}
	l.pieces(s, add)
	for _, d := range w.Samples {
		add(s+"\n"+d, d+"\n"+s, s+" "+d+" "+s)
	}
	l.runs(s, w, add)
	for _, d := range w.Strings {
		half := len(s) / 2
		add(s[:half]+d+s[half:], strings.ReplaceAll(s, d, ""), strings.Replace(s, d, d+d, 1), d+d)
		if strings.ToUpper(d) != d {
			add(strings.ToUpper(d), s+strings.ToUpper(d))
		}
	}
	add("0", "1", "-1", "a", "é", s+"é", "\x00", s+"\t")
	for _, d := range w.Strings[:min(len(w.Strings), 6)] { // a letter of two bytes moves what is counted in bytes
		add("é"+d+s, s+"é"+d, strings.Replace(s, d, "é"+d, 1))
	}
	l.add(text("a\xff"), text(s+"\xff"), text("\xc3("+s)) // no UTF-8
	if n := len(w.Ints); n > 0 {                          // texts of just such a length
		for _, d := range w.Ints[:min(n, 6)] {
			for _, k := range []int64{d, d + 1, d - 1} {
				if k > 0 && k <= 300 {
					add(strings.Repeat("x", int(k)))
				}
			}
		}
	}
}

// runs adds texts in which a character stands several times in a row: as often as a number in
// the code says, and once more or less.
func (l *lister) runs(s string, w *Words, add func(...string)) {
	marks := []string{}
	for _, d := range w.Strings {
		if len(d) == 1 && !slices.Contains(marks, d) && len(marks) < 10 {
			marks = append(marks, d)
		}
	}
	for i := range min(len(s), 60) {
		if c := s[i : i+1]; strings.ContainsAny(c, "#*-_=~`>+.!|:<&/\\'\"()[]{} ") && !slices.Contains(marks, c) && len(marks) < 16 {
			marks = append(marks, c)
		}
	}
	for _, mark := range marks {
		for _, n := range append([]int64{2, 3, 4}, w.Ints[:min(len(w.Ints), 5)]...) {
			for _, k := range []int64{n, n + 1, n - 1} {
				if k > 1 && k <= 20 {
					run := strings.Repeat(mark, int(k))
					add(run+s, run+" "+s, s+run, strings.Replace(s, mark, run, 1))
				}
			}
		}
	}
}

// pieces adds texts that are made of parts of one.
func (l *lister) pieces(s string, add func(...string)) {
	if s == "" {
		return
	}
	half := len(s) / 2
	add(s[:half], s[half:], s+s, s[1:], s[:len(s)-1], s[half:]+s[:half], "\n"+s, s+"\n", s+"\n"+s, s+"\n\n"+s)
	for _, sep := range []string{"\n", " ", ",", ";", ".", "-", "/", ":", "|"} {
		parts := strings.Split(s, sep)
		if len(parts) < 2 || len(parts) > 30 {
			continue
		}
		for i := range parts {
			add(strings.Join(slices.Delete(slices.Clone(parts), i, i+1), sep), parts[i])
			if i < 8 {
				blank := slices.Clone(parts)
				blank[i] = ""
				twice := slices.Insert(slices.Clone(parts), i, parts[i])
				add(strings.Join(blank, sep), strings.Join(twice, sep))
			}
			if i > 0 && i < 8 {
				swapped := slices.Clone(parts)
				swapped[i], swapped[i-1] = swapped[i-1], swapped[i]
				add(strings.Join(swapped, sep))
			}
		}
		add(strings.Join(parts, sep+sep), strings.Join(parts, sep+" "), strings.Join(parts, " "+sep))
	}
	if len(s) <= 24 {
		for i := range len(s) {
			add(s[:i]+s[i+1:], s[:i]+" "+s[i:], s[:i]+s[i:i+1]+s[i:])
		}
	}
}

// dateTexts shifts what looks like a date.
func (l *lister) dateTexts(s string, w *Words) {
	for _, layout := range []string{"2006-01-02 15:04:05.000000", "2006-01-02 15:04:05", "2006-01-02T15:04:05Z07:00", "2006-01-02 15:04", "2006-01-02"} {
		t, err := time.Parse(layout, s)
		if err != nil {
			continue
		}
		for _, to := range slices.Concat(w.shifted(t), shifted(t, strings.Contains(layout, "15"))) {
			if to.Year() > 0 && to.Year() < 10000 {
				l.add(text(to.Format(layout)))
			}
		}
		return
	}
}

// span finds times that code adds to dates or takes from them.
var span = regexp.MustCompile(`(\d+)\s*(sec|min|hour|day|week|month|year)`)

// shifted gives dates that are away from one by what stands in the code.
func (w *Words) shifted(t time.Time) (out []time.Time) {
	for _, s := range w.Strings {
		m := span.FindStringSubmatch(s)
		if m == nil {
			continue
		}
		for _, n := range []int{1, -1} {
			count, err := strconv.Atoi(m[1])
			if err != nil || count > 10_000 {
				continue
			}
			n *= count
			switch m[2] {
			case "year":
				out = append(out, t.AddDate(n, 0, 0))
			case "month":
				out = append(out, t.AddDate(0, n, 0))
			default:
				unit := map[string]time.Duration{"sec": time.Second, "min": time.Minute, "hour": time.Hour, "day": 24 * time.Hour, "week": 7 * 24 * time.Hour}[m[2]]
				out = append(out, t.Add(time.Duration(n)*unit))
			}
		}
	}
	for _, n := range w.Ints[:min(len(w.Ints), 8)] {
		if n > 1 && n <= 1000 {
			out = append(out, t.AddDate(0, 0, int(n)), t.AddDate(0, 0, -int(n)))
		}
	}
	return out[:min(len(out), 24)]
}

// shifted gives dates around one.
func shifted(t time.Time, hasTime bool) []time.Time {
	out := []time.Time{t.AddDate(0, 0, 1), t.AddDate(0, 0, -1)}
	if hasTime {
		out = append(out, t.Add(time.Second), t.Add(-time.Second), t.Truncate(24*time.Hour), t.Truncate(24*time.Hour).Add(24*time.Hour-time.Second), t.Add(time.Hour), t.Add(12*time.Hour))
	}
	first := time.Date(t.Year(), t.Month(), 1, t.Hour(), t.Minute(), t.Second(), t.Nanosecond(), t.Location())
	return append(out, t.AddDate(0, 0, 7), t.AddDate(0, 1, 0), t.AddDate(0, -1, 0), t.AddDate(1, 0, 0), t.AddDate(-1, 0, 0),
		first, first.AddDate(0, 1, -1), time.Date(t.Year(), 1, 1, 0, 0, 0, 0, t.Location()), time.Date(t.Year(), 12, 31, 0, 0, 0, 0, t.Location()),
		time.Date(2024, 2, 29, t.Hour(), t.Minute(), t.Second(), 0, t.Location()))
}

// zones are time zones to put a date into.
var zones = []string{"UTC", "Europe/Berlin", "America/New_York", "Asia/Kolkata", "Pacific/Auckland"}

func (l *lister) dates(v mutate.Value, w *Words, others []mutate.Value) {
	for _, o := range others {
		if o.Class == v.Class {
			l.add(o)
		} else if strings.HasPrefix(o.Class, "DateTime") && strings.HasPrefix(v.Class, "DateTime") && len(o.Args) == len(v.Args) {
			moved := v
			moved.Args = o.Args
			l.add(moved)
		}
	}
	with := func(i int, to mutate.Value) mutate.Value {
		out := v
		out.Args = slices.Clone(v.Args)
		out.Args[i].Value = to
		return out
	}
	for i, a := range v.Args {
		switch {
		case a.Value.Kind == mutate.ValueString && v.Class == "DateTimeZone":
			for _, z := range zones {
				l.add(with(i, text(z)))
			}
		case a.Value.Kind == mutate.ValueString && v.Class == "DateInterval":
			for _, spec := range []string{"PT0S", "P1D", "P1M", "PT1H", "P7D", "P1Y"} {
				l.add(with(i, text(spec)))
			}
		case a.Value.Kind == mutate.ValueString:
			in := lister{seen: map[string]bool{}}
			for _, o := range others {
				if len(o.Args) == 2 && len(v.Args) == 2 {
					in.dateTexts(o.Args[0].Value.String, w)
				}
			}
			near := in.out
			in = lister{seen: map[string]bool{}}
			in.dateTexts(a.Value.String, w)
			for _, d := range append(in.out, near...) {
				l.add(with(i, d))
			}
		case a.Value.Kind == mutate.ValueNew && a.Value.Class == "DateTimeZone":
			for _, z := range zones {
				l.add(with(i, mutate.Value{Kind: mutate.ValueNew, Class: "DateTimeZone", Args: []mutate.Argument{{Value: text(z)}}}))
			}
		case a.Value.Kind == mutate.ValueArray:
			in := lister{seen: map[string]bool{}}
			in.arrays(a.Value, &Words{})
			for _, d := range in.out {
				l.add(with(i, d))
			}
		}
	}
}

// asList numbers the elements of an array, if they were those of a list.
func asList(items []mutate.Item, isList bool) mutate.Value {
	if isList {
		items = slices.Clone(items)
		for i := range items {
			items[i].Key = integer(int64(i))
		}
	}
	return array(items...)
}

func isList(items []mutate.Item) bool {
	for i, item := range items {
		if item.Key.Kind != mutate.ValueInt || item.Key.Int != int64(i) {
			return false
		}
	}
	return true
}

func (l *lister) arrays(v mutate.Value, w *Words) {
	items, list := v.Items, isList(v.Items)
	l.add(array())
	add := func(items []mutate.Item) { l.add(asList(items, list)) }
	for i := range items[:min(len(items), 10)] {
		add(slices.Delete(slices.Clone(items), i, i+1))
		add(items[i : i+1])
	}
	if n := len(items); n > 0 && list {
		add(append(slices.Clone(items), items[0]))
		add(append(slices.Clone(items), items[n-1]))
		add(append(slices.Clone(items), items...))
		add(append(slices.Clone(items), mutate.Item{Value: null()}))
	}
	if len(items) > 1 {
		back := slices.Clone(items)
		slices.Reverse(back)
		add(back)
		swapped := slices.Clone(items)
		swapped[0], swapped[1] = swapped[1], swapped[0]
		add(swapped)
		add(items[:len(items)/2])
		add(items[len(items)/2:])
	}
	l.elements(items, list, w)
}

// elements adds arrays that have more elements, or other keys.
func (l *lister) elements(items []mutate.Item, list bool, w *Words) {
	has := func(key string) bool {
		return slices.ContainsFunc(items, func(i mutate.Item) bool { return i.Key.Kind == mutate.ValueString && i.Key.String == key })
	}
	for _, s := range w.Strings[:min(len(w.Strings), 12)] {
		if list {
			l.add(asList(append(slices.Clone(items), mutate.Item{Value: text(s)}), true))
		}
		if has(s) || list && len(items) > 0 {
			continue
		}
		for i := range items[:min(len(items), 4)] {
			other := slices.Clone(items)
			other[i].Key = text(s)
			l.add(array(other...))
		}
		for _, value := range []mutate.Value{integer(1), text("a"), null(), boolean(true)} {
			l.add(array(append(slices.Clone(items), mutate.Item{Key: text(s), Value: value})...))
		}
	}
	if len(items) == 0 {
		for _, value := range []mutate.Value{integer(0), integer(1), text(""), text("a")} {
			l.add(asList([]mutate.Item{{Value: value}}, true), asList([]mutate.Item{{Value: value}, {Value: value}}, true))
		}
	}
}
