package testcode

import (
	"regexp"
	"strings"

	"assay/mutate"
)

// shortDate finds that a test makes a date of a text alone: in the time zone that is PHP's
// default then.
var shortDate = regexp.MustCompile(`(?i)new\s+\\?DateTime(Immutable)?\(\s*('[^']*'|"[^"]*"|\$\w+)\s*\)`)

// midnight ends the text of a date that has no time of day.
const midnight = " 00:00:00"

// inShort gives ways to write a finding, the plainest first: as the tests of its class make
// dates, if they make them of a text alone, and as it is.
func (s *Suite) inShort(f *mutate.Finding, class string) []*mutate.Finding {
	c := s.class(class)
	if c == nil || !shortDate.Match(c.file.Src) {
		return []*mutate.Finding{f}
	}
	plain, changed := *f, false
	plain.Calls = make([]mutate.Call, len(f.Calls))
	for i, call := range f.Calls {
		call.Args = shortened(call.Args, &changed)
		plain.Calls[i] = call
	}
	plain.Looks = make([]mutate.Look, len(f.Looks))
	for i, look := range f.Looks {
		look.Original.Value = shortenedValue(look.Original.Value, &changed)
		plain.Looks[i] = look
	}
	if !changed {
		return []*mutate.Finding{f}
	}
	return []*mutate.Finding{&plain, f}
}

func shortened(args []mutate.Argument, changed *bool) []mutate.Argument {
	out := make([]mutate.Argument, len(args))
	for i, a := range args {
		out[i] = mutate.Argument{Name: a.Name, Value: shortenedValue(a.Value, changed)}
	}
	return out
}

// shortenedValue leaves the time zone out of dates, and the time of day at midnight. Whether
// the test is the same is seen when it is run.
func shortenedValue(v mutate.Value, changed *bool) mutate.Value {
	if len(v.Items) > 0 {
		items := make([]mutate.Item, len(v.Items))
		for i, it := range v.Items {
			items[i] = mutate.Item{Key: it.Key, Value: shortenedValue(it.Value, changed)}
		}
		v.Items = items
	}
	if v.Kind != mutate.ValueNew {
		return v
	}
	class := strings.ToLower(strings.TrimPrefix(v.Class, `\`))
	if (class != "datetimeimmutable" && class != "datetime") || len(v.Args) == 0 || v.Args[0].Value.Kind != mutate.ValueString {
		v.Args = shortened(v.Args, changed)
		return v
	}
	text := v.Args[0].Value
	day, cut := strings.CutSuffix(text.String, midnight)
	if len(v.Args) > 1 || cut {
		*changed = true
	}
	text.String = day
	v.Args = []mutate.Argument{{Name: v.Args[0].Name, Value: text}}
	return v
}
