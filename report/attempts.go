package report

import (
	"bufio"
	"cmp"
	"fmt"
	"io"
	"strings"

	"assay/mutate"
)

// Attempts writes what came of looking for tests, for people: first the survivors that have
// a proof, with its text, then those for which nothing was found, those that are likely
// equivalent, and those that were not looked at. root is the project's, for links.
func Attempts(w io.Writer, list []mutate.Attempt, root string, o Options) error {
	o.Width = cmp.Or(o.Width, defaultWidth)
	w = &withoutFirstBlank{w: w}
	p := &attempts{text: newText(w, &mutate.Result{Root: root}, o), shown: map[*mutate.Proof]bool{}}
	p.Writer = bufio.NewWriter(w) // others write there, too
	groups := map[attemptKind][]mutate.Attempt{}
	for _, a := range list {
		groups[kindOfAttempt(a)] = append(groups[kindOfAttempt(a)], a)
	}
	for _, a := range groups[proved] {
		if err := p.proved(w, a); err != nil {
			return err
		}
	}
	for _, k := range []attemptKind{untried, nothing, likely, notLooked} {
		if len(groups[k]) == 0 {
			continue
		}
		p.heading("%s", attemptTitles[k])
		for _, a := range groups[k] {
			p.without(a)
		}
	}
	p.tally(list, groups)
	return p.Flush()
}

// attemptKind is a way in which an attempt ends.
type attemptKind uint8

const (
	proved attemptKind = iota
	untried
	nothing
	likely
	notLooked
)

var attemptTitles = map[attemptKind]string{
	untried:   "Something was found, and no test was made of it before the end",
	nothing:   "Nothing found",
	likely:    "Likely equivalent: many inputs pass the change, and never is anything different",
	notLooked: "Not looked for",
}

func kindOfAttempt(a mutate.Attempt) attemptKind {
	switch {
	case a.Proof != nil:
		return proved
	case a.Untried:
		return untried
	case a.Why != "":
		return notLooked
	case a.LikelyEquivalent():
		return likely
	}
	return nothing
}

type attempts struct {
	*text
	shown map[*mutate.Proof]bool
}

// proved shows a survivor and its proof; of one whose proof has been shown only a line.
func (p *attempts) proved(w io.Writer, a mutate.Attempt) error {
	if p.shown[a.Proof] {
		p.printf("\n%s  %s\n", p.strong(p.position(a.Mutant)), oneLine(Change(a.Mutant), lineChars))
		p.WriteString(wrap(fmt.Sprintf("The test above kills %s as well.", a.Mutant.ID), "  ", p.o.Width))
		return nil
	}
	if len(p.shown) > 0 {
		p.printf("\n")
	}
	p.shown[a.Proof] = true
	if err := p.Flush(); err != nil {
		return err
	}
	if err := Mutant(w, a.Mutant, p.r.Root, p.o); err != nil {
		return err
	}
	_, err := fmt.Fprintf(w, "\n%s", proofText(a.Proof, a.Mutant.ID, "A test that kills it", p.o))
	return err
}

// without tells of a survivor that has no proof.
func (p *attempts) without(a mutate.Attempt) {
	m := a.Mutant
	p.printf("\n%s  %s\n", p.position(m), Change(m))
	p.WriteString(wrap(p.faint(m.ID), "  ", p.o.Width))
	p.WriteString(wrap(attemptSaid(a), "  ", p.o.Width))
}

func attemptSaid(a mutate.Attempt) string {
	if a.Why != "" {
		return capital(visible(strings.TrimSuffix(a.Why, "."))) + "."
	}
	said := fmt.Sprintf("%s tried", count(a.Tried, "input"))
	switch {
	case a.Differed >= 0:
		said += fmt.Sprintf(", the expression differed in %d of the %d that reach it", a.Differed, a.Reached)
	default:
		said += fmt.Sprintf(", of which %d reach the change", a.Reached)
	}
	said += "."
	for _, why := range tallied(a.Refused) {
		said += " " + capital(why) + "."
	}
	return said
}

// tallied gives each sentence once, with how often it is there.
func tallied(list []string) []string {
	n, order := map[string]int{}, []string{}
	for _, s := range list {
		if n[s]++; n[s] == 1 {
			order = append(order, s)
		}
	}
	for i, s := range order {
		if n[s] > 1 {
			order[i] = fmt.Sprintf("%s (%d times)", s, n[s])
		}
	}
	return order
}

// AttemptsSaid says in a sentence what came of looking for tests.
func AttemptsSaid(list []mutate.Attempt) string {
	tests, n := map[*mutate.Proof]bool{}, map[attemptKind]int{}
	for _, a := range list {
		if n[kindOfAttempt(a)]++; a.Proof != nil {
			tests[a.Proof] = true
		}
	}
	said := fmt.Sprintf("Tests were looked for that kill %s: ", count(len(list), "survivor"))
	var parts []string
	if len(tests) > 0 {
		were := map[bool]string{true: "was", false: "were"}[len(tests) == 1]
		parts = append(parts, fmt.Sprintf("%s %s seen to kill %d of them", count(len(tests), "test"), were, n[proved]))
	}
	for _, k := range []attemptKind{untried, nothing, likely, notLooked} {
		if n[k] > 0 {
			title, _, _ := strings.Cut(attemptTitles[k], ":")
			parts = append(parts, fmt.Sprintf("%s: %d", strings.ToLower(title), n[k]))
		}
	}
	return said + strings.Join(parts, "; ") + "."
}

// tally ends the report.
func (p *attempts) tally(list []mutate.Attempt, groups map[attemptKind][]mutate.Attempt) {
	said := fmt.Sprintf("No test was found for %s", count(len(list), "survivor"))
	if n := len(groups[proved]); n > 0 {
		verb := map[bool]string{true: "kills", false: "kill"}[len(p.shown) == 1]
		said = fmt.Sprintf("%s %s %d of %s", count(len(p.shown), "test"), verb, n, count(len(list), "survivor"))
	}
	if len(list) == 0 {
		said = "There is no survivor to look for a test for"
	}
	p.heading("%s.", said)
	for _, k := range []attemptKind{untried, nothing, likely, notLooked} {
		if n := len(groups[k]); n > 0 {
			title, _, _ := strings.Cut(attemptTitles[k], ":")
			p.printf("  %d  %s\n", n, title)
		}
	}
	var refused []string
	for _, a := range list {
		refused = append(refused, a.Refused...)
	}
	if len(refused) > 0 {
		p.printf("Of the tests that were written %d %s no proof:\n", len(refused), map[bool]string{true: "is", false: "are"}[len(refused) == 1])
		for _, why := range tallied(refused) {
			p.printf("  %s\n", why)
		}
	}
	if len(p.shown) > 0 {
		p.WriteString(wrap("Read each test before you keep it. "+mutate.Question, "", p.o.Width))
	}
}
