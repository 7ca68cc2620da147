package report

import (
	"fmt"
	"strings"
	"unicode/utf16"

	"assay/mutate"
)

// pageData is what the page's script reads. Others are referred to by their
// index.
type pageData struct {
	Status  [][2]string `json:"status"` // ID, word for people
	Kinds   [][3]string `json:"kinds"`  // ID, title, sentence
	Ops     [][]any     `json:"ops"`    // ID, rule, kind or -1
	Files   []pageFile  `json:"files"`
	Classes [][]any     `json:"classes"` // title, file
	Places  [][]any     `json:"places"`  // functions: name, class, how IDs of its mutants begin
	Tests   []string    `json:"tests"`
	Lists   [][]int     `json:"lists"` // of tests
	Said    []string    `json:"said"`
	Advice  []string    `json:"advice"` // what to do about survivors
	Mutants [][]any     `json:"mutants"`
	Editor  string      `json:"editor"` // a pattern, as for --editor-url, or ""
	Root    string      `json:"root"`   // of the project; only where there is a pattern
	Remote  [2]string   `json:"remote"` // name and pattern with %f and %l, or ""
	// Proofs are tests: what is said of each before its text, the text, what it kills, and
	// the diff. Not there where there are none.
	Proofs [][4]string `json:"proofs,omitempty"`
}

type pageFile struct {
	Path string `json:"path"`
	Text string `json:"text"` // as visible shows it; the script colours what it shows
	Link bool   `json:"link"` // the remote has it as it was judged
}

var pageStatuses = [][2]string{
	{"survived", "survived"}, {"unreached", "unreached"}, {"killed", "killed"}, {"timed_out", "timed out"},
	{"accepted", "accepted"}, {"skipped", "skipped"}, {"equivalent", "equivalent"}, {"stillborn", "stillborn"}, {"broken", "broken"},
}

// pageBuilder numbers what mutants share.
type pageBuilder struct {
	pageData
	o       Options
	hints   hints
	index   map[any]int
	tests   *testIndex
	classes map[[2]string]int
}

// number gives the index of a key and whether it is new.
func (p *pageBuilder) number(key any, next int) (int, bool) {
	if i, ok := p.index[key]; ok {
		return i, false
	}
	p.index[key] = next
	return next, true
}

func pageDataOf(r *mutate.Result, shared hints, o Options) pageData {
	var d Document
	p := &pageBuilder{o: o, hints: shared, index: map[any]int{}, tests: d.addTests(r, o), classes: map[[2]string]int{}}
	p.pageData = pageData{Status: pageStatuses, Ops: [][]any{}, Files: []pageFile{}, Classes: [][]any{}, Places: [][]any{},
		Tests: []string{}, Said: []string{}, Advice: []string{}, Mutants: [][]any{}, Editor: o.EditorURL}
	if o.EditorURL != "" {
		p.Root = r.Root
	}
	if o.Remote != nil {
		p.Remote = [2]string{o.Remote.Name, o.Remote.URL}
	}
	p.tests.set(nil) // its index is 0
	for _, t := range d.Tests {
		p.Tests = append(p.Tests, visible(t.Name))
	}
	for i, s := range pageStatuses {
		p.index["status "+s[0]] = i
	}
	for i, k := range kinds {
		p.Kinds = append(p.Kinds, [3]string{k.ID, k.Title, k.Says})
		p.index["kind "+k.ID] = i
	}
	for i, c := range Classes(r) {
		p.Classes = append(p.Classes, []any{visible(c.Title()), p.file(c.Verdicts[0].Mutant.Source)})
		p.classes[[2]string{c.Name, c.File}] = i
	}
	for _, v := range sorted(r.Verdicts) {
		p.add(v)
	}
	p.Lists = d.TestSets
	return p.pageData
}

func (p *pageBuilder) file(s *mutate.Source) int {
	i, isNew := p.number(s, len(p.Files))
	if isNew {
		lines := strings.Split(string(s.Text), "\n")
		for i, l := range lines {
			lines[i] = visible(strings.TrimSuffix(l, "\r"))
		}
		link := p.o.Remote != nil && !p.o.Remote.Changed[s.Path]
		p.Files = append(p.Files, pageFile{visible(p.o.Prefix + s.Path), strings.Join(lines, "\n"), link})
	}
	return i
}

// op gives the index of an operator.
func (p *pageBuilder) op(op *mutate.Operator) int {
	i, isNew := p.number(op, len(p.Ops))
	if isNew {
		kind := -1
		if k := KindOf(op); k != nil {
			kind = p.index["kind "+k.ID]
		}
		p.Ops = append(p.Ops, []any{op.ID, Rule(op), kind})
	}
	return i
}

// place gives the index of the function of a mutant and its ID, or what of it
// is not the same for all of that function and operator.
func (p *pageBuilder) place(m *mutate.Mutant) (int, string) {
	_, name, _ := strings.Cut(m.Op.ID, "/")
	at := strings.LastIndexByte(m.ID, '.')
	head, regular := strings.CutSuffix(m.ID[:max(at, 0)], "."+name)
	if !regular {
		head = ""
	}
	i, isNew := p.number([3]string{m.Class, m.Function, m.Source.Path}, len(p.Places))
	if isNew {
		where := visible(m.Where())
		if m.Class == "" && m.Function == "" {
			where = ""
		}
		p.Places = append(p.Places, []any{where, p.classes[[2]string{m.Class, m.Source.Path}], head})
	}
	if regular && p.Places[i][2] == head {
		return i, m.ID[at+1:]
	}
	return i, "=" + m.ID
}

// add writes a mutant as a row: its code, the indices of operator, function,
// status and list of tests, whether it is new, the index of what is said of
// it or -1, the killer or -1; the edit: first line, column in it, number of
// lines, column in the last, both in UTF-16 units from 0, and the new text; of a
// survivor the index of the advice, and that of a proof, if there is one.
func (p *pageBuilder) add(v mutate.Verdict) {
	m := v.Mutant
	place, code := p.place(m)
	said, killer := p.said(v)
	fresh := truth(v.New)
	text := m.Source.Text
	last := lineStart(text, m.Edit.End)
	before := string(text[m.Edit.Start:m.Edit.End])
	row := []any{code, p.op(m.Op), place, p.index["status "+v.Status.String()], p.tests.set(v.Reaching), fresh, said, killer,
		m.Line, units(visible(string(text[lineStart(text, m.Edit.Start):m.Edit.Start]))),
		1 + strings.Count(before, "\n"), units(visible(string(text[last:m.Edit.End]))), shownLines(m.Edit.New)}
	if v.Status == mutate.Survived {
		row = append(row, p.advice(v))
	}
	if v.Proof != nil && v.Status == mutate.Survived {
		row = append(row, p.proof(v.Proof, m.ID))
	}
	p.Mutants = append(p.Mutants, row)
}

// advice gives the index of what to do about a survivor.
func (p *pageBuilder) advice(v mutate.Verdict) int {
	text := p.hints.of(v)
	i, isNew := p.number("advice "+text, len(p.Advice))
	if isNew {
		p.Advice = append(p.Advice, text)
	}
	return i
}

// proof gives the index of what is told of a proof.
func (p *pageBuilder) proof(f *mutate.Proof, of string) int {
	code := mutate.Question
	if f.Code != "" {
		code = shownLines(outdented(strings.TrimRight(f.Code, "\r\n")))
	}
	told := [4]string{proofSaid(f, "A test that kills it", p.o), code, killsSaid(f, of), marked(f.Diff)}
	i, isNew := p.number(told, len(p.Proofs))
	if isNew {
		p.Proofs = append(p.Proofs, told)
	}
	return i
}

// said gives the index of what is to be told of a verdict that its status does
// not say, and that of the test that killed the mutant.
func (p *pageBuilder) said(v mutate.Verdict) (said, killer int) {
	killer = -1
	if i, ok := p.tests.numbers[v.Killer]; ok {
		killer = i
	}
	text := ""
	switch v.Status {
	case mutate.Killed:
		text = strings.ReplaceAll(v.How.String(), "_", " ")
		if v.Detail != "" {
			text += ": " + oneLine(strings.TrimPrefix(v.Detail, `PHPUnit\Framework\ExpectationFailedException: `), lineChars)
		}
		if killer < 0 {
			text = fmt.Sprintf("at the end of %s (%s)", count(v.Ran, "test"), text)
		}
	case mutate.Accepted, mutate.Skipped, mutate.Equivalent, mutate.Broken, mutate.Stillborn:
		text = capital(sentence(&v)) + "."
	}
	if seen := evaluations(v.Seen, mutate.LongestExpression); seen != "" {
		text = strings.TrimPrefix(text+" "+seen, " ")
	}
	if text == "" {
		return -1, killer
	}
	said, isNew := p.number("said "+text, len(p.Said))
	if isNew {
		p.Said = append(p.Said, text)
	}
	return said, killer
}

// capital makes the beginning of a sentence of a text that begins with a letter.
func capital(s string) string { return strings.ToUpper(s[:1]) + s[1:] }

// shownLines is visible for a text of several lines.
func shownLines(s string) string {
	lines := strings.Split(s, "\n")
	for i, l := range lines {
		lines[i] = visible(strings.TrimSuffix(l, "\r"))
	}
	return strings.Join(lines, "\n")
}

// units is the length in UTF-16 units, as scripts count.
func units(s string) int { return len(utf16.Encode([]rune(s))) }
