package mutate

import (
	"crypto/sha256"
	"encoding/base32"
	"fmt"
	"path"
	"strings"
)

// code is base32 without letters that are taken for digits; all lower case,
// all safe in a shell and in a URL.
var code = base32.NewEncoding("abcdefghijkmnpqrstuvwxyz23456789").WithPadding(base32.NoPadding)

// identify gives each mutant of one file its ID: where it is, by which
// operator, and a code of five characters:
//
//	Fare.total.boundary-excluded.k3f9q
//
// The code is made of class::method, operator, the texts before and after, and
// the ordinal among mutants alike in all of that. Line numbers and other code
// do not enter, so an ID stays the same when unrelated lines move. ms must be
// in source order and all of one file.
func identify(ms []*Mutant) {
	ordinals := map[string]int{}
	taken := map[string]bool{}
	for _, m := range ms {
		where := m.Where()
		key := strings.Join([]string{where, m.Op.ID, m.Before(), m.Edit.New}, "\x00")
		n := ordinals[key]
		ordinals[key]++
		sum := sha256.Sum256(fmt.Appendf(nil, "%s\x00%d", key, n))
		hash := code.EncodeToString(sum[:])
		_, name, _ := strings.Cut(m.Op.ID, "/")
		head := shellSafe(place(m)) + "." + name + "."
		length := 5
		for taken[head+hash[:length]] {
			length++
		}
		m.ID = head + hash[:length]
		taken[m.ID] = true
	}
}

// place is the short name of where a mutant is: "Fare.total", "Fare", "fare",
// or the file's name.
func place(m *Mutant) string {
	class := m.Class[strings.LastIndexByte(m.Class, '\\')+1:]
	function := m.Function[strings.LastIndexByte(m.Function, '\\')+1:]
	switch {
	case class != "" && function != "":
		return class + "." + function
	case class != "":
		return class
	case function != "":
		return function
	}
	return strings.TrimSuffix(path.Base(m.Source.Path), ".php")
}

// shellSafe replaces every byte that a shell or a URL could take for its own.
func shellSafe(s string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r >= 'a' && r <= 'z', r >= 'A' && r <= 'Z', r >= '0' && r <= '9', r == '_', r == '.', r == '-':
			return r
		}
		return '_'
	}, s)
}
