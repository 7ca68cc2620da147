package report

import (
	"bufio"
	"bytes"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"io"
	"reflect"
	"slices"
	"strings"
	"time"

	"assay/mutate"
)

// JSON writes a result as a [Document]: a field a line, and in lists an
// element a line, so that line tools and diffs can work on it.
func JSON(w io.Writer, r *mutate.Result, o Options) error { return Describe(r, o).Write(w) }

// Write writes the document as a result file.
func (doc *Document) Write(w io.Writer) error {
	b := bufio.NewWriter(w)
	d := reflect.ValueOf(*doc)
	var line bytes.Buffer
	enc := json.NewEncoder(&line)
	enc.SetEscapeHTML(false)
	put := func(v reflect.Value) error {
		line.Reset()
		if err := enc.Encode(v.Interface()); err != nil {
			return fmt.Errorf("the result as JSON: %w", err)
		}
		_, err := b.Write(bytes.TrimSuffix(line.Bytes(), []byte("\n")))
		return err
	}
	separator := "{\n"
	for i := range d.NumField() {
		if !d.Type().Field(i).IsExported() {
			continue
		}
		name, option, _ := strings.Cut(d.Type().Field(i).Tag.Get("json"), ",")
		v := d.Field(i)
		if option == "omitempty" && v.IsZero() {
			continue
		}
		fmt.Fprintf(b, "%s%q: ", separator, name)
		separator = ",\n"
		if err := putField(b, v, put); err != nil {
			return err
		}
	}
	b.WriteString("\n}\n")
	return b.Flush()
}

func putField(b *bufio.Writer, v reflect.Value, put func(reflect.Value) error) error {
	if v.Kind() != reflect.Slice {
		return put(v)
	}
	b.WriteByte('[')
	for i := range v.Len() {
		if i > 0 {
			b.WriteByte(',')
		}
		b.WriteByte('\n')
		if err := put(v.Index(i)); err != nil {
			return err
		}
	}
	_, err := b.WriteString("]")
	return err
}

// ReadJSON reads a result file. The error says what is wrong with it.
func ReadJSON(r io.Reader) (*Document, error) {
	text, err := io.ReadAll(r)
	if err != nil {
		return nil, fmt.Errorf("cannot be read: %w", err)
	}
	d, err := decode(text)
	if err != nil {
		return nil, err
	}
	if d.Format != FormatName {
		return nil, fmt.Errorf("not a result file: its format is %q, not %q", d.Format, FormatName)
	}
	if d.SchemaVersion != SchemaVersion {
		return nil, fmt.Errorf("the result file has schema version %d; this assay reads version %d", d.SchemaVersion, SchemaVersion)
	}
	if d.Part != nil {
		d.units, d.exact = d.Part.Units, d.Part.Exact
	}
	if err := d.check(); err != nil {
		return nil, err
	}
	return d, nil
}

// Find gives the entry of a mutant, or nil.
func (d *Document) Find(id string) *Entry {
	for i := range d.Mutants {
		if d.Mutants[i].ID == id {
			return &d.Mutants[i]
		}
	}
	return nil
}

// File gives the entry of a file, or nil.
func (d *Document) File(path string) *FileEntry {
	for i := range d.Files {
		if d.Files[i].Path == marked(path) {
			return &d.Files[i]
		}
	}
	return nil
}

// Fits reports whether text is what was judged.
func (f *FileEntry) Fits(text []byte) bool { return f.Bytes == len(text) && f.SHA256 == hash(text) }

// Result makes a result of the document again. read gives the text of a file
// by its path in the document; a file that is not the one that was judged is
// an error, because the offsets mean nothing in it. Bytes of names that are
// not UTF-8 stay marked, but in parts of a run.
func (d *Document) Result(read func(path string) ([]byte, error), ops []*mutate.Operator) (*mutate.Result, error) {
	return d.result(func(path string) ([]byte, error) {
		text, err := read(path)
		if err == nil && !d.File(path).Fits(text) {
			err = fmt.Errorf("%s is no longer the file that was judged", path)
		}
		return text, err
	}, ops)
}

func (d *Document) result(read func(path string) ([]byte, error), ops []*mutate.Operator) (*mutate.Result, error) {
	r := &mutate.Result{
		Project: d.exactly(d.Project), PHP: d.PHP, PHPUnit: d.PHPUnit, Breadth: d.Breadth,
		Partial: d.Partial, LeftOut: d.LeftOut, AllKills: d.AllKills, Compared: d.Compared,
		Suite: duration(d.SuiteMS), Elapsed: duration(d.ElapsedMS), Engine: d.Engine.figures(), Part: d.Part.part(),
	}
	sources := map[string]*mutate.Source{}
	for i := range d.Files {
		f := &d.Files[i]
		path := d.exactly(f.Path)
		text, err := read(path)
		if err != nil {
			return nil, err
		}
		sources[f.Path] = &mutate.Source{Path: path, Text: text}
		if !f.Fits(text) {
			sources[f.Path].Sum = f.SHA256
		}
	}
	byID := map[string]*mutate.Operator{}
	for _, op := range ops {
		byID[op.ID] = op
	}
	for _, t := range d.Tests {
		r.Tests = append(r.Tests, mutate.Test{ID: mutate.TestID(d.exactly(t.Name)), Time: duration(t.TimeMS)})
	}
	for _, n := range d.Notes {
		r.Notes = append(r.Notes, mutate.Note{Kind: n.Kind, Path: d.exactly(n.Path), Line: n.Line, Text: d.exactly(n.Text)})
	}
	for i := range d.Mutants {
		v, err := d.verdict(&d.Mutants[i], sources, byID)
		if err != nil {
			return nil, fmt.Errorf("mutant %s: %w", d.Mutants[i].ID, err)
		}
		if i < len(d.units) {
			v.Mutant.Unit = d.units[i]
		}
		r.Verdicts = append(r.Verdicts, v)
	}
	return r, nil
}

func (d *Document) verdict(e *Entry, sources map[string]*mutate.Source, ops map[string]*mutate.Operator) (mutate.Verdict, error) {
	m := &mutate.Mutant{
		ID: e.ID, Op: ops[e.Operator], Source: sources[e.File], Line: e.Line, Column: e.Column,
		Class: d.exactly(e.Class), Function: d.exactly(e.Function),
	}
	if e.Status == mutate.Skipped.String() {
		m.Skipped = d.exactly(e.Reason)
	}
	var v mutate.Verdict
	if m.Op == nil {
		return v, fmt.Errorf("operator %s is not known to this assay", e.Operator)
	}
	if m.Source == nil {
		return v, fmt.Errorf("%s is not in the file's list of files", e.File)
	}
	if e.Start < 0 || e.End < e.Start || e.End > len(m.Source.Text) {
		return v, fmt.Errorf("%d to %d is no span of %s", e.Start, e.End, e.File)
	}
	m.Edit.Start, m.Edit.End = e.Start, e.End
	var err error
	if m.Edit.New, err = raw(e.After, e.AfterBase64); err != nil {
		return v, fmt.Errorf("after_base64: %w", err)
	}
	return d.Verdict(e, m)
}

// before gives the exact bytes that the edit removes.
func (e *Entry) before() (string, error) {
	s, err := raw(e.Before, e.BeforeBase64)
	if err != nil {
		return "", fmt.Errorf("mutant %s: before_base64: %w", e.ID, err)
	}
	return s, nil
}

// raw is the inverse of exact.
func raw(text, encoded string) (string, error) {
	if encoded == "" {
		return text, nil
	}
	b, err := base64.StdEncoding.DecodeString(encoded)
	return string(b), err
}

// Verdict gives what an entry says about m, which is the same mutant.
func (d *Document) Verdict(e *Entry, m *mutate.Mutant) (v mutate.Verdict, err error) {
	v = mutate.Verdict{Mutant: m, Ran: e.TestsRun, Detail: d.exactly(e.Message), Time: duration(e.TimeMS), New: e.New}
	if v.Status, err = mutate.ParseStatus(e.Status); err != nil {
		return v, err
	}
	if e.Failure != nil {
		if v.How, err = mutate.ParseHow(*e.Failure); err != nil {
			return v, err
		}
	}
	if e.Killer != nil {
		v.Killer = mutate.TestID(d.exactly(*e.Killer))
	}
	for _, i := range e.Killers {
		v.Killers = append(v.Killers, mutate.TestID(d.exactly(d.Tests[i].Name)))
	}
	if v.Seen, err = e.seen(); err != nil {
		return v, err
	}
	v.Seen.Expression = d.exactly(v.Seen.Expression)
	v.Seen.Values = slices.Clone(v.Seen.Values)
	for i, value := range v.Seen.Values {
		v.Seen.Values[i] = d.exactly(value)
	}
	v.Proof = d.proofOf(e)
	v.Reaching = d.reachingOf(e)
	if e.WouldBe != "" {
		if v.WouldBe, err = mutate.ParseStatus(e.WouldBe); err != nil {
			return v, err
		}
	}
	if v.Status == mutate.Broken || v.Status == mutate.Accepted || v.Status == mutate.Equivalent {
		v.Detail = d.exactly(e.Reason)
	}
	return v, nil
}

// reachingOf names the tests that reach a mutant. Mutants of one set share the list.
func (d *Document) reachingOf(e *Entry) []mutate.TestID {
	set := d.TestSets[e.TestsReaching]
	if len(set) == 0 {
		return nil
	}
	if d.reaching == nil {
		d.reaching = make([][]mutate.TestID, len(d.TestSets))
	}
	if d.reaching[e.TestsReaching] == nil {
		list := make([]mutate.TestID, len(set))
		for i, n := range set {
			list[i] = mutate.TestID(d.exactly(d.Tests[n].Name))
		}
		d.reaching[e.TestsReaching] = list
	}
	return d.reaching[e.TestsReaching]
}

func duration(ms *float64) time.Duration {
	if ms == nil {
		return 0
	}
	return time.Duration(*ms * float64(time.Millisecond))
}
