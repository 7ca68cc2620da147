package report

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"
)

// CheckParts says why results are not the parts of one run. names are those of their
// files. With partial some may be missing, or have ended early.
func CheckParts(names []string, docs []*Document, partial bool) error {
	for i, d := range docs {
		if d.Part == nil {
			return fmt.Errorf("%s is the result of a run in one piece, and no part of one; parts are made by assay run --shard", names[i])
		}
	}
	byNumber := map[int]string{}
	for i, d := range docs {
		if err := sameRun(names[0], names[i], docs[0], d); err != nil {
			return err
		}
		if other, twice := byNumber[d.Part.Number]; twice {
			return fmt.Errorf("%s and %s are both part %d of %d; leave one of them out", other, names[i], d.Part.Number, d.Part.Of)
		}
		byNumber[d.Part.Number] = names[i]
	}
	if err := onceEach(names, docs); err != nil {
		return err
	}
	if partial {
		return nil
	}
	var missing []string
	of := docs[0].Part.Of
	for n := 1; n <= of; n++ {
		if _, there := byNumber[n]; !there {
			missing = append(missing, fmt.Sprintf("%d of %d", n, of))
		}
	}
	if len(missing) > 0 {
		return fmt.Errorf("part %s is missing; add its file, or take what there is with --partial", strings.Join(missing, ", part "))
	}
	for i, d := range docs {
		if d.Part.Ended == Interrupted {
			return fmt.Errorf("%s: the run of this part was interrupted, and some of its mutants were not judged; run it again with --resume, or take what there is with --partial", names[i])
		}
	}
	return nil
}

// sameRun says what is not the same in two parts, the most telling difference first.
func sameRun(nameA, nameB string, a, b *Document) error {
	differ := func(what, x, y string) error {
		return fmt.Errorf("%s and %s are not of one run: %s is %s in the first and %s in the second", nameA, nameB, what, said(x), said(y))
	}
	x, y := a.Part, b.Part
	for _, c := range []struct {
		what string
		x, y string
	}{
		{"the number of parts", fmt.Sprint(x.Of), fmt.Sprint(y.Of)},
		{"the project", a.Project, b.Project},
		{"the version of PHP", a.PHP, b.PHP},
		{"the version of PHPUnit", a.PHPUnit, b.PHPUnit},
	} {
		if c.x != c.y {
			return differ(c.what, c.x, c.y)
		}
	}
	for _, c := range []struct {
		prefix string
		x, y   map[string]string
	}{{"", x.Tools, y.Tools}, {"--", x.Options, y.Options}} {
		if key, ok := firstOther(c.x, c.y); ok {
			return differ(c.prefix+key, c.x[key], c.y[key])
		}
	}
	if path, ok := firstOther(x.Inputs, y.Inputs); ok {
		return fmt.Errorf("%s and %s are not of one run: %s is not the same file in both; make all parts of one commit", nameA, nameB, path)
	}
	if fault := otherTests(a.Tests, b.Tests); fault != "" {
		return fmt.Errorf("%s and %s are not of one run: %s", nameA, nameB, fault)
	}
	if x.LeftOut != y.LeftOut || !slices.Equal(x.Counts, y.Counts) || !slices.Equal(x.Sums, y.Sums) {
		return fmt.Errorf("%s and %s do not fit together: they divide the mutants differently, because the tests did not run the same code in both. "+
			"Where they never do, as with random data, divide by place: give all parts --shard-by place", nameA, nameB)
	}
	return nil
}

func said(value string) string { return cmp.Or(visible(value), "not given") }

// firstOther gives the first key whose values differ.
func firstOther(a, b map[string]string) (key string, found bool) {
	keys := slices.Concat(slices.Collect(maps.Keys(a)), slices.Collect(maps.Keys(b)))
	slices.Sort(keys)
	for _, k := range keys {
		if a[k] != b[k] {
			return k, true
		}
	}
	return "", false
}

func otherTests(a, b []TestEntry) string {
	for i := range max(len(a), len(b)) {
		switch {
		case i >= len(a) || i < len(b) && b[i].Name < a[i].Name:
			return fmt.Sprintf("the second has the test %s, and the first has not", b[i].Name)
		case i >= len(b) || a[i].Name < b[i].Name:
			return fmt.Sprintf("the first has the test %s, and the second has not", a[i].Name)
		}
	}
	return ""
}

// onceEach refuses a mutant that two parts have.
func onceEach(names []string, docs []*Document) error {
	of := map[string]int{}
	for i, d := range docs {
		for j := range d.Mutants {
			id := d.Mutants[j].ID
			if other, twice := of[id]; twice {
				return fmt.Errorf("%s and %s overlap: both have the mutant %s", names[other], names[i], id)
			}
			of[id] = i
		}
	}
	return nil
}
