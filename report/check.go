package report

import (
	"bytes"
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"reflect"
	"regexp"
	"strings"
	"sync"

	"assay/mutate"
)

// What no result file has, in bytes of a source file and in milliseconds: such a number is
// not worked with.
const (
	mostBytes = 256 << 20
	mostMS    = 1e12
)

// decode reads one document and nothing behind it. Errors say where it is wrong.
func decode(text []byte) (*Document, error) {
	var d Document
	dec := json.NewDecoder(bytes.NewReader(text))
	err := dec.Decode(&d)
	var syntax *json.SyntaxError
	var kind *json.UnmarshalTypeError
	switch {
	case errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF):
		return nil, fmt.Errorf("%s: not a result file: it ends too early", placeIn(text, int64(len(text))))
	case errors.As(err, &syntax):
		return nil, fmt.Errorf("%s: not a result file: %w", placeIn(text, syntax.Offset), err)
	case errors.As(err, &kind):
		return nil, fmt.Errorf("%s: cannot be read as a result file: %w", placeIn(text, kind.Offset), err)
	case err != nil:
		return nil, fmt.Errorf("cannot be read as a result file: %w", err)
	}
	end := dec.InputOffset()
	if rest := bytes.TrimLeft(text[end:], " \t\r\n"); len(rest) > 0 {
		return nil, fmt.Errorf("%s: not a result file: something follows behind the result", placeIn(text, int64(len(text)-len(rest))+1))
	}
	return &d, nil
}

// placeIn gives line and column, 1-based and in bytes, of the byte before an offset.
func placeIn(text []byte, offset int64) string {
	before := text[:max(0, min(int64(len(text)), offset)-1)]
	return fmt.Sprintf("line %d, column %d", bytes.Count(before, []byte("\n"))+1, len(before)-bytes.LastIndexByte(before, '\n'))
}

// check makes sure that all indices are within their lists, that what is to be there once
// is, and that numbers are possible. Errors name the element.
func (d *Document) check() error {
	if err := impossible(reflect.ValueOf(*d), ""); err != nil {
		return err
	}
	files, err := d.checkFiles()
	if err != nil {
		return err
	}
	tests := map[string]int{}
	for i, t := range d.Tests {
		if n, twice := tests[t.Name]; twice {
			return fmt.Errorf("tests[%d]: %s stands at %d, too", i, t.Name, n)
		}
		tests[t.Name] = i
	}
	for n, set := range d.TestSets {
		for _, i := range set {
			if i >= len(d.Tests) {
				return fmt.Errorf("test_sets[%d]: test %d is not in the file's list of %d tests", n, i, len(d.Tests))
			}
		}
	}
	ids, counted := map[string]int{}, map[string]int{}
	for i := range d.Mutants {
		e := &d.Mutants[i]
		if n, twice := ids[e.ID]; twice {
			return fmt.Errorf("mutants[%d]: %s stands at %d, too", i, e.ID, n)
		}
		ids[e.ID] = i
		if err := d.checkMutant(e, files); err != nil {
			return fmt.Errorf("mutants[%d]: mutant %s: %w", i, e.ID, err)
		}
		counted[e.Status]++
	}
	if err := d.checkPart(counted); err != nil {
		return err
	}
	return d.checkSummary(counted)
}

var hexSum = sync.OnceValue(func() *regexp.Regexp {
	return regexp.MustCompile(`^[0-9a-f]{64}$`)
})

func (d *Document) checkFiles() (map[string]*FileEntry, error) {
	files := map[string]*FileEntry{}
	for i := range d.Files {
		f := &d.Files[i]
		switch {
		case files[f.Path] != nil:
			return nil, fmt.Errorf("files[%d]: %s stands there twice", i, f.Path)
		case !filepath.IsLocal(filepath.FromSlash(f.Path)):
			return nil, fmt.Errorf("files[%d]: %q is no path within the project", i, f.Path)
		case f.Bytes > mostBytes:
			return nil, fmt.Errorf("files[%d]: %s cannot have %d bytes", i, f.Path, f.Bytes)
		case !hexSum().MatchString(f.SHA256):
			return nil, fmt.Errorf("files[%d]: %q is no SHA-256 sum in hexadecimal digits", i, f.SHA256)
		}
		files[f.Path] = f
	}
	return files, nil
}

func (d *Document) checkMutant(e *Entry, files map[string]*FileEntry) error {
	f := files[e.File]
	switch {
	case f == nil:
		return fmt.Errorf("%s is not in the file's list of files", e.File)
	case e.Line < 1 || e.Column < 1:
		return fmt.Errorf("line %d, column %d is no place; both begin at 1", e.Line, e.Column)
	case e.End < e.Start || e.End > f.Bytes:
		return fmt.Errorf("%d to %d is no span of %s, which has %d bytes", e.Start, e.End, e.File, f.Bytes)
	case e.TestsReaching >= len(d.TestSets):
		return fmt.Errorf("test set %d is not in the file's list of %d sets", e.TestsReaching, len(d.TestSets))
	case e.TestsRun > len(d.Tests):
		return fmt.Errorf("%d tests cannot have been run, for there are %d", e.TestsRun, len(d.Tests))
	}
	for _, i := range e.Killers {
		if i >= len(d.Tests) {
			return fmt.Errorf("test %d is not in the file's list of %d tests", i, len(d.Tests))
		}
	}
	if _, err := mutate.ParseStatus(e.Status); err != nil {
		return err
	}
	return cmp.Or(e.checkSeen(), e.checkProof())
}

// checkSummary holds the summary against the mutants.
func (d *Document) checkSummary(counted map[string]int) error {
	v := reflect.ValueOf(d.Summary)
	for i := range v.NumField() {
		name, _, _ := strings.Cut(v.Type().Field(i).Tag.Get("json"), ",")
		if v.Field(i).Kind() != reflect.Int {
			continue
		}
		want := len(d.Mutants)
		if name != "mutants" {
			want = counted[name]
		}
		if got := int(v.Field(i).Int()); got != want {
			return fmt.Errorf("summary: %s is %d, and the mutants give %d", name, got, want)
		}
	}
	return nil
}

// impossible finds a number that no result has: all are counts, places or times.
func impossible(v reflect.Value, at string) error {
	switch v.Kind() {
	case reflect.Int:
		if v.Int() < 0 {
			return fmt.Errorf("%s: %d is negative", at, v.Int())
		}
	case reflect.Float64:
		if v.Float() < 0 || v.Float() > mostMS {
			return fmt.Errorf("%s: %g cannot be", at, v.Float())
		}
	case reflect.Pointer:
		if !v.IsNil() {
			return impossible(v.Elem(), at)
		}
	case reflect.Slice:
		if k := v.Type().Elem().Kind(); k == reflect.String {
			return nil
		}
		for i := range v.Len() {
			if err := impossible(v.Index(i), fmt.Sprintf("%s[%d]", at, i)); err != nil {
				return err
			}
		}
	case reflect.Struct:
		for i := range v.NumField() {
			f := v.Type().Field(i)
			if !f.IsExported() {
				continue
			}
			name, _, _ := strings.Cut(f.Tag.Get("json"), ",")
			if f.Anonymous {
				name = ""
			}
			if err := impossible(v.Field(i), strings.TrimPrefix(at+"."+name, ".")); err != nil {
				return err
			}
		}
	}
	return nil
}
