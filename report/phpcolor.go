package report

import (
	"strings"

	"github.com/alecthomas/chroma/v2"
	"github.com/alecthomas/chroma/v2/lexers"

	"assay/mutate"
)

// A shade is where a colour ends in a line: a byte offset, exclusive, and the
// SGR codes, "" for none.
type shade struct {
	end  int
	code string
}

// phpShades gives the colours of each line of a file, as a library reads it;
// nil where it does not give the text back byte by byte, as with bytes that are
// not UTF-8. The sixteen colours of a terminal are used, which its owner has
// chosen so that they can be read.
func phpShades(s *mutate.Source) [][]shade {
	lexer := lexers.Get("php")
	if lexer == nil {
		return nil
	}
	tokens, err := chroma.Coalesce(lexer).Tokenise(&chroma.TokeniseOptions{State: "root", EnsureLF: false}, string(s.Text))
	if err != nil {
		return nil
	}
	out := [][]shade{nil}
	var read strings.Builder
	column := 0
	for t := tokens(); t != chroma.EOF; t = tokens() {
		read.WriteString(t.Value)
		code := phpCode(t.Type)
		for i, part := range strings.Split(t.Value, "\n") {
			if i > 0 {
				out = append(out, nil)
				column = 0
			}
			if column += len(part); part != "" {
				out[len(out)-1] = append(out[len(out)-1], shade{column, code})
			}
		}
	}
	if read.String() != string(s.Text) {
		return nil
	}
	return out
}

func phpCode(t chroma.TokenType) string {
	switch {
	case t.InCategory(chroma.Comment):
		return "2"
	case t.InSubCategory(chroma.LiteralString):
		return "33"
	case t.InSubCategory(chroma.LiteralNumber), t == chroma.KeywordConstant:
		return "35"
	case t.InCategory(chroma.Keyword), t == chroma.OperatorWord:
		return "34"
	case t.InSubCategory(chroma.NameVariable):
		return "36"
	}
	return ""
}

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
