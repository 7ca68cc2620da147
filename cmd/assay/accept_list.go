//go:build linux

package main

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/url"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"unicode"

	"assay/mutate"
	"assay/mutate/project"
	"assay/report"
)

// acceptName is the list of survivors that somebody looked at and left. It
// stands in the project's root and is kept with the code: text in UTF-8, one
// line an entry, sorted by ID, so that lines of two branches come together
// without a conflict unless they are about neighbours:
//
//	ID UNIT PATH because REASON
//
// UNIT is the fingerprint of the code around the edit (mutate.Mutant.Unit)
// when it was accepted. PATH is that of its file, in which blanks, control
// characters and the percent sign are written as in URLs, and says where to look
// for it. A line that begins with "#" is a comment and stays before the entry
// that it stands before.
const acceptName = "assay.accepted"

const acceptHead = `# Survivors that somebody looked at and accepted.
# assay accept adds, lists and takes out; keep this file with the code.
`

// An acceptance is one entry of the list.
type acceptance struct {
	id, unit, path, reason string
	line                   int    // 1-based, in the file
	before                 string // comments that stand before it, whole lines
}

type acceptList struct {
	entries []*acceptance // by ID
	rest    string        // comments behind the last entry
}

var acceptLine = sync.OnceValue(func() *regexp.Regexp {
	return regexp.MustCompile(`^(\S+) ([a-z2-9]{10}) (\S+) because (.*\S)\s*$`)
})

// readAccepted reads the list of a project; an empty one where there is none.
func readAccepted(root string) (*acceptList, error) {
	text, err := project.ReadFile(filepath.Join(root, acceptName))
	if errors.Is(err, fs.ErrNotExist) {
		return &acceptList{}, nil
	}
	if err != nil {
		var at *fs.PathError
		if errors.As(err, &at) {
			err = at.Err
		}
		return nil, usagef("%s: cannot be read: %v", filepath.Join(root, acceptName), err)
	}
	return parseAccepted(text)
}

// parseAccepted reads the text of a list.
func parseAccepted(text []byte) (*acceptList, error) {
	l := &acceptList{}
	var faults []error
	head := strings.Count(acceptHead, "\n")
	if !strings.HasPrefix(string(text), acceptHead) {
		head = 0
	}
	for n, line := range strings.Split(strings.TrimSuffix(string(text), "\n"), "\n") {
		if n < head {
			continue
		}
		if fault := l.take(n+1, strings.TrimSuffix(line, "\r")); fault != "" {
			faults = append(faults, usagef("%s:%d: %s", acceptName, n+1, fault))
		}
	}
	slices.SortStableFunc(l.entries, func(a, b *acceptance) int { return cmp.Compare(a.id, b.id) })
	return l, errors.Join(faults...)
}

// take reads one line and says what is wrong with it.
func (l *acceptList) take(n int, line string) string {
	for _, mark := range []string{"<<<<<<<", "=======", ">>>>>>>", "|||||||"} {
		if strings.HasPrefix(line, mark) {
			return "a merge was left unfinished here; keep the entries of both sides that are still right, and take the marks out"
		}
	}
	if strings.TrimSpace(line) == "" || strings.HasPrefix(line, "#") {
		l.rest += line + "\n"
		return ""
	}
	m := acceptLine().FindStringSubmatch(line)
	if m == nil || strings.ContainsFunc(line, unicode.IsControl) {
		return "this is no entry; take the line out, and use assay accept ID --because REASON to write it"
	}
	a := &acceptance{id: m[1], unit: m[2], path: unescapePath(m[3]), reason: m[4], line: n, before: l.rest}
	if same := l.find(a.id); same != nil {
		if same.unit == a.unit && same.reason == a.reason {
			return "" // of two branches that accepted the same
		}
		return fmt.Sprintf("%s stands in line %d, too; keep one of the two", a.id, same.line)
	}
	l.entries, l.rest = append(l.entries, a), ""
	return ""
}

func (l *acceptList) find(id string) *acceptance {
	if i := slices.IndexFunc(l.entries, func(a *acceptance) bool { return a.id == id }); i >= 0 {
		return l.entries[i]
	}
	return nil
}

func escapePath(path string) string {
	var b strings.Builder
	for i := range len(path) {
		if c := path[i]; c <= ' ' || c == '%' || c >= 0x7f {
			fmt.Fprintf(&b, "%%%02X", c)
		} else {
			b.WriteByte(c)
		}
	}
	return b.String()
}

// unescapePath is its inverse. What is no escape stays as it is: then no file
// has the name.
func unescapePath(s string) string {
	path, err := url.PathUnescape(s)
	if err != nil {
		return s
	}
	return path
}

// put adds an entry, or replaces the one of the same ID.
func (l *acceptList) put(m *mutate.Mutant, reason string) {
	a := l.find(m.ID)
	if a == nil {
		a = &acceptance{id: m.ID}
		i, _ := slices.BinarySearchFunc(l.entries, m.ID, func(a *acceptance, id string) int { return cmp.Compare(a.id, id) })
		l.entries = slices.Insert(l.entries, i, a)
	}
	a.unit, a.path, a.reason = m.Unit, m.Source.Path, reason
}

// remove takes an entry out; comments before it stay.
func (l *acceptList) remove(a *acceptance) {
	i := slices.Index(l.entries, a)
	l.entries = slices.Delete(l.entries, i, i+1)
	if i < len(l.entries) {
		l.entries[i].before = a.before + l.entries[i].before
	} else {
		l.rest = a.before + l.rest
	}
}

func (l *acceptList) write(root string) error {
	err := report.WriteFile(filepath.Join(root, acceptName), func(w io.Writer) error {
		_, err := io.WriteString(w, l.text())
		return err
	})
	if err != nil {
		return usageError{err}
	}
	return nil
}

// text is the list as it is written.
func (l *acceptList) text() string {
	var b strings.Builder
	b.WriteString(acceptHead)
	for _, a := range l.entries {
		fmt.Fprintf(&b, "%s%s %s %s because %s\n", a.before, a.id, a.unit, escapePath(a.path), a.reason)
	}
	b.WriteString(l.rest)
	return b.String()
}
