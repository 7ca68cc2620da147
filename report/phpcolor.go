package report

import (
	"bytes"
	"context"

	"assay/mutate"
	"assay/mutate/syntax"
)

// A shade is where a colour ends in a line: a byte offset, exclusive, and the
// SGR codes, "" for none.
type shade struct {
	end  int
	code string
}

// phpShades gives the colours of each line of a file; nil where it cannot be read. The
// sixteen colours of a terminal are used, which its owner has chosen so that they can be read.
func phpShades(s *mutate.Source) [][]shade {
	f, err := syntax.ParseContext(context.Background(), s.Path, s.Text)
	if err != nil {
		return nil
	}
	p := painter{text: s.Text, lines: [][]shade{nil}}
	p.node(f.Root, "")
	p.to(len(s.Text), "")
	return p.lines
}

// A painter goes through a text from its start.
type painter struct {
	text       []byte
	lines      [][]shade
	at, column int
}

// to gives the text up to an offset a colour.
func (p *painter) to(end int, code string) {
	for p.at < end {
		part := p.text[p.at:end]
		newline := bytes.IndexByte(part, '\n')
		if newline >= 0 {
			part = part[:newline]
		}
		if p.column += len(part); len(part) > 0 {
			last := len(p.lines) - 1
			p.lines[last] = append(p.lines[last], shade{p.column, code})
		}
		if p.at += len(part); newline >= 0 {
			p.lines, p.column = append(p.lines, nil), 0
			p.at++
		}
	}
}

// node gives a node its colour; code is that of the node around it.
func (p *painter) node(n *syntax.Node, code string) {
	p.to(n.Start, code)
	code = phpCode(n, code)
	for _, c := range n.Children {
		p.node(c, code)
	}
	p.to(n.End, code)
}

func phpCode(n *syntax.Node, around string) string {
	switch {
	case n.Is("comment", "php_tag", "?>"):
		return "2"
	case n.Is("string", "encapsed_string", "heredoc", "nowdoc", "shell_command_expression"):
		return "33"
	case n.Is("integer", "float", "boolean", "null"):
		return "35"
	case n.Is("variable_name"):
		return "36"
	case n.Is("primitive_type") || !n.Named && len(n.Kind) > 1 && isLetter(n.Kind[0]):
		return "34"
	}
	return around
}

func isLetter(b byte) bool { return b|0x20 >= 'a' && b|0x20 <= 'z' }

// shades gives the colours of a line, from 1; nil where there are none.
func (p *text) shades(s *mutate.Source, line int) []shade {
	if !p.paint {
		return nil
	}
	all, ok := p.php[s]
	if !ok {
		all = phpShades(s)
		p.php[s] = all
	}
	if line < 1 || line > len(all) {
		return nil
	}
	return all[line-1]
}
