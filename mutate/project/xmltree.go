package project

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"regexp"
	"strconv"
	"strings"

	"golang.org/x/text/encoding/htmlindex"
	"golang.org/x/text/encoding/unicode"
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
	text, err := utf8Text(text)
	if err != nil {
		return nil, xmlError(err, 1)
	}
	d := xml.NewDecoder(bytes.NewReader(text))
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
		case xml.Directive:
			if d.Entity, err = entities(t); err != nil {
				return nil, xmlError(err, line)
			}
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

// utf8Text gives a text in UTF-16, of either byte order, in UTF-8, and any other as it is,
// without a byte order mark. How UTF-16 is told without one: Extensible Markup Language
// (XML) 1.0, fifth edition, appendix F.1.
func utf8Text(text []byte) ([]byte, error) {
	order := unicode.UTF16(unicode.BigEndian, unicode.UseBOM)
	switch {
	case bytes.HasPrefix(text, []byte("\xfe\xff")), bytes.HasPrefix(text, []byte("\xff\xfe")):
	case bytes.HasPrefix(text, []byte("<\x00?\x00")):
		order = unicode.UTF16(unicode.LittleEndian, unicode.IgnoreBOM)
	case bytes.HasPrefix(text, []byte("\x00<\x00?")):
		order = unicode.UTF16(unicode.BigEndian, unicode.IgnoreBOM)
	default:
		return bytes.TrimPrefix(text, []byte("\xef\xbb\xbf")), nil
	}
	return order.NewDecoder().Bytes(text)
}

// charset reads the encodings that XML files name besides UTF-8.
func charset(label string, in io.Reader) (io.Reader, error) {
	if strings.HasPrefix(strings.ToLower(label), "utf-16") { // see utf8Text
		return in, nil
	}
	known, err := htmlindex.Get(label)
	if err != nil {
		return nil, fmt.Errorf("its encoding %q is not known here; save it as UTF-8", label)
	}
	return known.NewDecoder().Reader(in), nil
}

var (
	entityDeclared = regexp.MustCompile(`<!ENTITY\s+([^\s%"'<>&;]+)\s+(?:(SYSTEM|PUBLIC)\s[^>]*|"([^"]*)"|'([^']*)')\s*>`)
	entityNamed    = regexp.MustCompile(`&(#x[0-9A-Fa-f]+|#[0-9]+|[^\s&;#]+);`)
)

// mostEntity bounds, in bytes, the text that an entity stands for.
const mostEntity = 64 << 10

// entities gives the text of the entities that a document type declares inside of it.
// External ones are not read, as PHP does not; markup in them is text here, and nothing
// for PHPUnit's XPath.
func entities(directive []byte) (map[string]string, error) {
	out := map[string]string{}
	for _, m := range entityDeclared.FindAllSubmatch(directive, -1) {
		name, value := string(m[1]), string(m[3])+string(m[4])
		if _, again := out[name]; again {
			continue // the first one counts
		}
		text := entityNamed.ReplaceAllStringFunc(value, func(ref string) string {
			ref = ref[1 : len(ref)-1]
			if digits, is := strings.CutPrefix(ref, "#"); is {
				base := 10
				if digits[0] == 'x' {
					digits, base = digits[1:], 16
				}
				n, _ := strconv.ParseInt(digits, base, 32)
				return string(rune(n))
			}
			if text, known := out[ref]; known {
				return text
			}
			if text, known := map[string]string{"lt": "<", "gt": ">", "amp": "&", "apos": "'", "quot": `"`}[ref]; known {
				return text
			}
			return "&" + ref + ";"
		})
		if len(text) > mostEntity {
			return nil, fmt.Errorf("its entity %s stands for more than %d bytes", name, mostEntity)
		}
		out[name] = text
	}
	return out, nil
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
