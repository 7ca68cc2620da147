package project

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"strings"
)

// element is one element of an XML file, with the 1-based line of its tag.
type element struct {
	name     string
	space    string
	attrs    map[string]string
	text     strings.Builder // its own character data
	line     int
	children []*element
}

// readXML gives the root element. On malformed text the error is an *Error
// with the line, and no path.
func readXML(text []byte) (*element, error) {
	// The encoding declaration counts for UTF-8 text only when it says so; a
	// byte order mark is none of the document.
	d := xml.NewDecoder(bytes.NewReader(bytes.TrimPrefix(text, []byte("\xef\xbb\xbf"))))
	d.CharsetReader = charset
	var root *element
	var open []*element
	for {
		line, _ := d.InputPos()
		tok, err := d.Token()
		if err == io.EOF && root != nil {
			return root, nil
		}
		if err != nil {
			return nil, xmlError(err, line)
		}
		switch t := tok.(type) {
		case xml.StartElement:
			e := &element{name: t.Name.Local, space: t.Name.Space, line: line, attrs: map[string]string{}}
			for _, a := range t.Attr {
				e.attrs[a.Name.Local] = a.Value
			}
			if len(open) > 0 {
				up := open[len(open)-1]
				up.children = append(up.children, e)
			} else if root == nil {
				root = e
			} else {
				return nil, &Error{Kind: BadXML, Line: line, Fault: "has a second root element <" + e.name + ">", Advice: "remove it"}
			}
			open = append(open, e)
		case xml.EndElement:
			open = open[:len(open)-1]
		case xml.CharData:
			if len(open) > 0 {
				open[len(open)-1].text.Write(t)
			} else if len(bytes.TrimSpace(t)) > 0 {
				return nil, &Error{Kind: BadXML, Line: line, Fault: "has text outside its root element", Advice: "remove it"}
			}
		}
	}
}

func xmlError(err error, line int) *Error {
	e := &Error{Kind: BadXML, Line: line, Fault: "is not well-formed XML: " + err.Error(), Advice: "correct it"}
	var se *xml.SyntaxError
	switch {
	case errors.As(err, &se):
		e.Line, e.Fault = se.Line, "is not well-formed XML: "+se.Msg
	case err == io.EOF:
		e.Line, e.Fault = 0, "is empty"
	}
	return e
}

// charset reads the encodings that are found in PHPUnit configurations besides
// UTF-8.
func charset(label string, in io.Reader) (io.Reader, error) {
	switch strings.ToLower(label) {
	case "utf-8", "utf8", "us-ascii", "ascii":
		return in, nil
	case "iso-8859-1", "latin1", "latin-1":
		raw, err := io.ReadAll(in)
		if err != nil {
			return nil, err
		}
		var out bytes.Buffer
		for _, c := range raw {
			out.WriteRune(rune(c))
		}
		return &out, nil
	}
	return nil, fmt.Errorf("its encoding %q is not supported here; save it as UTF-8", label)
}

// value is the text of an element without the space around it.
func (e *element) value() string { return strings.TrimSpace(e.text.String()) }

// at gives the elements at a path of names below e.
func (e *element) at(names ...string) []*element {
	found := []*element{e}
	for _, name := range names {
		var next []*element
		for _, f := range found {
			for _, c := range f.children {
				if c.name == name {
					next = append(next, c)
				}
			}
		}
		found = next
	}
	return found
}

// each calls visit for every element below e, in order.
func (e *element) each(visit func(*element)) {
	for _, c := range e.children {
		visit(c)
		c.each(visit)
	}
}

// all gives every element below e, at any depth, with the name.
func (e *element) all(name string) []*element {
	var out []*element
	e.each(func(c *element) {
		if c.name == name {
			out = append(out, c)
		}
	})
	return out
}

// attr gives an attribute, or the default when it is absent.
func (e *element) attr(name, otherwise string) string {
	if v, ok := e.attrs[name]; ok {
		return v
	}
	return otherwise
}
