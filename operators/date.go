package operators

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"sync"

	"assay/mutate"
	"assay/mutate/syntax"
)

// The date family changes how dates are written, how far they are apart, and where.
func init() {
	register(
		&mutate.Operator{
			ID: "date/letter-swapped",
			Doc: `A letter of a date's format is another one: H becomes h, m becomes n, d becomes j, Y becomes y.

No test has a date for which the two letters differ. Use an hour after noon, a day and a month of one digit, and assert the whole text or date.`,
			Input:   "Add a case with a date for which the two letters differ.",
			Outcome: "Assert the whole text, in a case with an hour after noon, and a day and a month of one digit.",
			Hint:    dateLetterHint,
			Before:  `return $at->format('H:s');`, After: `return $at->format('h:s');`,
			Kinds: []string{"string", "encapsed_string"}, Wide: true, Apply: dateLetterSwapped,
		},
		&mutate.Operator{
			ID: "date/month-as-days",
			Doc: `A month counts as 30 days, a year as 365, or the other way round: '+1 month' becomes '+30 days'. PT5M, which is minutes, becomes P5M, which is months.

No test has a date from which a month has another number of days than 30, or a year another than 365. Start from the end of January, or from a leap year, and assert the date.`,
			Input:   "Add a case that starts from the end of January, or from a leap year.",
			Outcome: "Assert the date that comes out, in a case that starts from the end of January, or from a leap year.",
			Before:  `$until = $at->modify('+1 month');`, After: `$until = $at->modify('+30 days');`,
			Kinds: []string{"string", "encapsed_string"}, Wide: true, Apply: monthAsDays,
		},
		&mutate.Operator{
			ID: "date/zone-left-out",
			Doc: `A date is made in the zone that is set, and not in the one that is given.

No test runs with another zone set than the one that is given here. Set one in a test, date_default_timezone_set('Pacific/Auckland') for instance, and assert the date and its zone.`,
			Before: `$at = new DateTimeImmutable($text, $zone);`, After: `$at = new DateTimeImmutable($text);`,
			Kinds: []string{"object_creation_expression", "scoped_call_expression", "function_call_expression"},
			Wide:  true, Apply: dateZoneLeftOut,
		},
	)
}

// formatLetters are those that mean something in a date's format, from the manual of
// DateTimeInterface::format(). TestFormatLetters asks PHP.
const formatLetters = "dDjlNSwzWFmMntLoYyaABgGhHisuveITPOpZcrU"

// letterSwaps are the letters that people take for each other, when a date is written and when
// it is read; PHP reads days, months and hours with and without a leading zero alike.
var (
	writtenSwaps = map[byte]byte{'H': 'h', 'h': 'H', 'G': 'g', 'g': 'G', 'd': 'j', 'j': 'd', 'm': 'n', 'n': 'm', 'Y': 'y', 'y': 'Y',
		'D': 'l', 'l': 'D', 'M': 'F', 'F': 'M', 'N': 'w', 'w': 'N'}
	readSwaps = map[byte]byte{'H': 'h', 'h': 'H', 'G': 'g', 'g': 'G', 'Y': 'y', 'y': 'Y'}
)

func dateLetterSwapped(f *syntax.File, n *syntax.Node) []mutate.Edit {
	format, reads := dateFormat(f, n)
	swaps := writtenSwaps
	if reads {
		swaps = readSwaps
	}
	var out []mutate.Edit
	hour := false // the letter before is that of an hour
	for i := 1; i < len(format)-1; i++ {
		c := format[i]
		to := swaps[c]
		switch {
		case c == '\\':
			i++
			continue
		case c == 'i' && hour && !reads:
			to = 'm'
		case !isLetter(c):
			continue
		}
		if hour = strings.IndexByte("HhGg", c) >= 0; to != 0 {
			out = append(out, one(n, format[:i]+string(to)+format[i+1:])...)
		}
	}
	return out
}

func isLetter(c byte) bool { return c|0x20 >= 'a' && c|0x20 <= 'z' }

// formatArguments are the places of formats in calls of functions and methods, by name in lower
// case; those that read dates are in formatReaders.
var (
	formatArguments = map[string]int{"date": 0, "gmdate": 0, "date_format": 1, "->format": 0, "->createfromformat": 0, "date_create_from_format": 0,
		"date_create_immutable_from_format": 0, "date_parse_from_format": 0}
	formatReaders = wordSet("->createfromformat date_create_from_format date_create_immutable_from_format date_parse_from_format")
)

// plainFormat is what is a date's format wherever it stands, as in a constant.
var plainFormat = regexp.MustCompile(`Y-m|m-d|d\.m\.|m/d|d/m|[HGhg]:i|Ymd`)

// dateFormat gives a literal, quotes and all, that is the format of a date, and whether dates
// are read with it; "" for others.
func dateFormat(f *syntax.File, n *syntax.Node) (format string, reads bool) {
	text := f.Text(n)
	if inText(n) || n.Is("string") && text[0] != '\'' || n.Is("encapsed_string") && (text[0] != '"' || strings.ContainsAny(text, `\$`)) || !isFormat(text) {
		return "", false
	}
	name, at := calledWith(f, n)
	if place, known := formatArguments[name]; known && place == at {
		return text, formatReaders[name]
	}
	if name == "" && plainFormat.MatchString(text) {
		return text, false
	}
	return "", false
}

// isFormat reports whether all letters of a literal may be those of a date's format. Words do not
// count that happen to have no other letters, such as 'json'.
func isFormat(literal string) bool {
	text := literal[1 : len(literal)-1]
	run, numbers, separated := 0, true, false
	for i := 0; i < len(text); i++ {
		c := text[i]
		switch {
		case c == '\\':
			i++
			run, numbers = 0, true
		case !isLetter(c):
			if c == '%' || c >= 0x80 {
				return false
			}
			separated, run, numbers = true, 0, true
		case strings.IndexByte(formatLetters, c) < 0:
			return false
		default:
			run++
			if numbers = numbers && strings.IndexByte("YymdjnHGhgisuv", c) >= 0; run > 2 && !numbers {
				return false
			}
		}
	}
	return separated || len(text) == 1 || strings.ContainsAny(text, "YyH")
}

// calledWith gives the lower-case name of the function that a literal is an argument of, and its
// place: "date", "->format" of any object or class, "new datetime"; "" where it is none.
func calledWith(f *syntax.File, n *syntax.Node) (name string, at int) {
	if !n.Parent.Is("argument") {
		return "", 0
	}
	if name, at = argumentIn(f, n); name != "" {
		return name, at
	}
	args, ok := plainArgs(n.Parent.Parent.Parent)
	for ok && at < len(args) && args[at] != n.Parent {
		at++
	}
	call := n.Parent.Parent.Parent
	if call.Is("object_creation_expression") {
		return "new " + strings.ToLower(lastName(f, call.First("name", "qualified_name"))), at
	}
	if !ok || call.Child("name") == nil {
		return "?", at
	}
	return "->" + strings.ToLower(f.Text(call.Child("name"))), at
}

// dateLetterHint says for which date the letters differ.
func dateLetterHint(f *syntax.File, n *syntax.Node, e mutate.Edit) mutate.Hints {
	text := f.Text(n)
	i := 0
	for i < len(text) && i < len(e.New) && text[i] == e.New[i] {
		i++
	}
	if i == len(text) {
		return mutate.Hints{}
	}
	is := ""
	switch text[i] {
	case 'H', 'h', 'G', 'g':
		is = "the hour is after noon"
	case 'd', 'j':
		is = "the day of the month has one digit"
	case 'm', 'n':
		is = "the month has one digit"
	case 'i':
		is = "the minute is not the number of the month"
	case 'M', 'F':
		is = "the month is not May"
	case 'N', 'w':
		is = "the day is a Sunday"
	default:
		return mutate.Hints{Outcome: "Assert the whole text."}
	}
	return mutate.Hints{Input: "Add a case in which " + is + ".", Outcome: "Assert the whole text, in a case in which " + is + ".",
		Either: "No test has a date in which " + is + ", or none looks at the whole text. Add one, and assert it."}
}

// spanArguments are where a text says how far dates are apart.
var spanArguments = wordSet("->modify date_modify strtotime date_create date_create_immutable ->createfromdatestring date_interval_create_from_date_string")

var (
	relativeSpan = sync.OnceValue(func() *regexp.Regexp {
		return regexp.MustCompile(`^(.*?)\b(\d+)( ?)(months?|years?|days?)\b(.*)$`)
	})
	isoSpan = regexp.MustCompile(`^P(T?)(\d+)([MYD])$`)
)

// monthAsDays works on the first span of a text.
func monthAsDays(f *syntax.File, n *syntax.Node) []mutate.Edit {
	literal := f.Text(n)
	if !isPlainText(f, n) || inText(n) {
		return nil
	}
	name, at := calledWith(f, n)
	text, to := bareKey(literal), ""
	switch {
	case at == 0 && (name == "new dateinterval"):
		to = isoSpanAs(text)
	case at == 0 && (spanArguments[name] || name == "new datetime" || name == "new datetimeimmutable"):
		to = relativeSpanAs(text)
	}
	if to == "" {
		return nil
	}
	return one(n, literal[:1]+to+literal[:1])
}

// relativeSpanAs gives "+30 days" for "+1 month" and the like, "" for others.
func relativeSpanAs(text string) string {
	m := relativeSpan().FindStringSubmatch(text)
	if m == nil || strings.ContainsAny(m[1], "0123456789") { // a number before is part of a date
		return ""
	}
	count, unit := inOtherUnits(m[2], strings.TrimSuffix(m[4], "s")[:1])
	if unit == "" {
		return ""
	}
	name := map[string]string{"d": "day", "m": "month", "y": "year"}[unit]
	if count != 1 {
		name += "s"
	}
	return fmt.Sprintf("%s%d%s%s%s", m[1], count, m[3], name, m[5])
}

// isoSpanAs gives "P30D" for "P1M" and the like, "" for others.
func isoSpanAs(text string) string {
	m := isoSpan.FindStringSubmatch(text)
	switch {
	case m == nil || m[1] != "" && m[3] != "M":
		return ""
	case m[1] != "":
		return "P" + m[2] + "M"
	}
	count, unit := inOtherUnits(m[2], strings.ToLower(m[3]))
	if unit == "" {
		return ""
	}
	return fmt.Sprintf("P%d%s", count, strings.ToUpper(unit))
}

// inOtherUnits gives months and years as days, and days as months or years where there are 30
// for each, or 365; unit is "" where there is nothing of the kind.
func inOtherUnits(number, of string) (count int, unit string) {
	n, err := strconv.Atoi(number)
	switch {
	case err != nil || n < 1 || n > 1000:
	case of == "m":
		return 30 * n, "d"
	case of == "y":
		return 365 * n, "d"
	case n%365 == 0:
		return n / 365, "y"
	case n%30 == 0 && n <= 90:
		return n / 30, "m"
	}
	return 0, ""
}

// zoneArguments are the places of zones behind which nothing is needed, from the manual.
var zoneArguments = map[string]int{"new datetime": 1, "new datetimeimmutable": 1, "date_create": 1, "date_create_immutable": 1,
	"date_create_from_format": 2, "date_create_immutable_from_format": 2, "createfromformat": 2}

// dateZoneLeftOut leaves dates alone that tell their zone themselves, as a time since 1970 does.
func dateZoneLeftOut(f *syntax.File, n *syntax.Node) []mutate.Edit {
	args, ok := plainArgs(n)
	if !ok || len(args) < 2 {
		return nil
	}
	last := len(args) - 1
	value := argValue(args[last])
	name := builtin(f, n)
	switch {
	case n.Is("object_creation_expression"):
		name = "new " + strings.ToLower(className(f, n.First("name", "qualified_name")))
	case n.Is("scoped_call_expression") && strings.HasPrefix(lastName(f, n.Child("scope")), "Date"):
		name = strings.ToLower(f.Text(n.Child("name")))
	}
	place, known := zoneArguments[name]
	first := strings.Trim(f.Text(args[0]), `'"`)
	if !known || place != last || value.Is("null") || strings.HasPrefix(first, "@") || strings.HasPrefix(first, "U") && place == 2 {
		return nil
	}
	if place == 2 && strings.ContainsAny(first, "eTPOpZ") && argValue(args[0]).Is("string", "encapsed_string") {
		return nil
	}
	return remove(args[last-1].End, args[last].End)
}
