package project

import (
	"errors"
	"strconv"
	"strings"
)

// Kind says what is wrong with a project.
type Kind uint8

// The zero Kind is a bug.
const (
	KindUnset    Kind = iota
	NotDirectory      // the place given is not a directory
	NoProject         // neither composer.json nor phpunit.xml, here or above
	BadXML            // phpunit.xml cannot be read
	BadJSON           // composer.json cannot be read
	MissingPath       // phpunit.xml names a path without which PHPUnit does not start
	NoTests           // no test file is found
	NoSource          // no source file is found
	NoPHP             // no PHP to run
	NoPHPUnit         // no PHPUnit to run
	NoMatch           // an option names something that does not exist
	BadPattern        // an option's pattern is malformed
	WhichConfig       // there are several PHPUnit configurations, and none that PHPUnit takes by itself
	NoFile            // a pipe, a socket or a device stands where a test is looked for
)

// An Error is one thing that must be put right before a run makes sense.
type Error struct {
	Kind   Kind
	Path   string // the file or directory at fault
	Line   int    // 1-based, or 0
	Column int    // 1-based, in bytes, or 0
	Fault  string // what is wrong with it
	Advice string // what to do
}

// Error gives "path:line:column: fault; advice".
func (e *Error) Error() string {
	var b strings.Builder
	b.WriteString(e.Path)
	for _, n := range []int{e.Line, e.Column} {
		if n > 0 {
			b.WriteString(":" + strconv.Itoa(n))
		}
	}
	if e.Path != "" {
		b.WriteString(": ")
	}
	b.WriteString(e.Fault)
	if e.Advice != "" {
		b.WriteString("; " + e.Advice)
	}
	return b.String()
}

// Usage reports whether the user's options are at fault and not the project.
func (e *Error) Usage() bool { return e.Kind == NoMatch || e.Kind == BadPattern }

// Faults takes an error of Find apart. An error that is not of this package
// is left out.
func Faults(err error) []*Error {
	var out []*Error
	var one *Error
	switch joined, ok := err.(interface{ Unwrap() []error }); {
	case ok:
		for _, e := range joined.Unwrap() {
			out = append(out, Faults(e)...)
		}
	case errors.As(err, &one):
		out = append(out, one)
	}
	return out
}
