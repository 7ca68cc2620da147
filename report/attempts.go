package report

import (
	"bufio"
	"cmp"
	"fmt"
	"io"
	"slices"
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
	_, err := fmt.Fprintf(w, "\n%s", p.proof(a.Proof, a.Mutant.ID))
	return err
}

// proof tells of a proof: where it belongs, its text, and what it kills besides.
func (p *text) proof(f *mutate.Proof, of string) string {
	var b strings.Builder
	said := "A test that kills it: " + visible(string(f.Test)) + "."
	if f.Path != "" {
		said = fmt.Sprintf("A test that kills it, for %s: %s.", visible(p.o.Prefix+f.Path), visible(string(f.Test)))
	}
	b.WriteString(wrap(said, "  ", p.o.Width))
	if f.Code != "" {
		b.WriteByte('\n')
		for line := range strings.Lines(f.Code) {
			b.WriteString(strings.TrimRight("    "+p.added(visible(strings.TrimRight(line, "\r\n"))), " ") + "\n")
		}
		b.WriteByte('\n')
	} else {
		b.WriteString(wrap(mutate.Question, "  ", p.o.Width))
	}
	b.WriteString(wrap(killsSaid(f, of), "  ", p.o.Width))
	return b.String()
}

// killsSaid says in sentences what a proof was seen to do.
func killsSaid(f *mutate.Proof, of string) string {
	others := slices.DeleteFunc(slices.Clone(f.Kills), func(id string) bool { return id == of })
	for i, id := range others {
		others[i] = visible(id)
	}
	said := "It passes on the original and fails on this mutant"
	switch {
	case len(others) == 1:
		said += ", and on another one that survived: " + others[0]
	case len(others) > 1:
		said += fmt.Sprintf(", and on %d others that survived: %s", len(others), strings.Join(others, ", "))
	}
	said += "."
	if f.Tried > 0 {
		said += fmt.Sprintf(" Found after %s.", count(f.Tried, "input"))
	}
	if f.File != "" {
		said += " As a diff: " + visible(f.File) + "."
	}
	return said
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

// tally ends the report.
func (p *attempts) tally(list []mutate.Attempt, groups map[attemptKind][]mutate.Attempt) {
	said := fmt.Sprintf("No test was found for %s", count(len(list), "survivor"))
	if n := len(groups[proved]); n > 0 {
		said = fmt.Sprintf("%s of %s: %s", killedBy(n), count(len(list), "survivor"), count(len(p.shown), "test"))
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
		p.printf("%s made that %s no proof:\n", count(len(refused), "test"), map[bool]string{true: "is", false: "are"}[len(refused) == 1])
		for _, why := range tallied(refused) {
			p.printf("  %s\n", why)
		}
	}
	if len(p.shown) > 0 {
		p.WriteString(wrap("Read each test before you keep it. "+mutate.Question, "", p.o.Width))
	}
}

func killedBy(n int) string {
	if n == 1 {
		return "1 is killed"
	}
	return fmt.Sprintf("%d are killed", n)
}
