package syntax

import (
	"fmt"
	"sort"
	"strings"
)

// A Token is one of PHP's own tokens. A list of them covers its file without
// gaps, white space, comments and inline HTML included.
type Token struct {
	Kind string // PHP's name, "T_VARIABLE", or the character itself, ";"
	Span        // byte offsets into the file
}

// Tokens makes a token list of the compact form in which the PHP side sends
// it: kinds is a table of names, each used once; flat holds pairs of an index
// into kinds and a length in bytes. In PHP:
//
//	foreach (PhpToken::tokenize($src) as $t) {
//	    $k = $index[$t->getTokenName()] ??= count($index);
//	    array_push($flat, $k, strlen($t->text));
//	}
//	echo json_encode(['kinds' => array_keys($index), 'flat' => $flat]);
//
// (PHP 7 has token_get_all and token_name for the same.) The flag TOKEN_PARSE
// must not be set: it refuses code that is newer than the PHP at hand, and
// renames keywords. An error means that the list does not cover size bytes.
func Tokens(kinds []string, flat []int, size int) ([]Token, error) {
	if len(flat)%2 != 0 {
		return nil, fmt.Errorf("tokens: %d numbers are not pairs", len(flat))
	}
	out := make([]Token, 0, len(flat)/2)
	at := 0
	for i := 0; i < len(flat); i += 2 {
		k, n := flat[i], flat[i+1]
		if k < 0 || k >= len(kinds) || n < 0 || n > size-at {
			return nil, fmt.Errorf("tokens: pair %d (%d, %d) at byte %d of %d makes no sense", i/2, k, n, at, size)
		}
		if n > 0 { // PHP gives empty ones in places
			out = append(out, Token{kinds[k], Span{at, at + n}})
		}
		at += n
	}
	if at != size {
		return nil, fmt.Errorf("tokens: they cover %d bytes of %d", at, size)
	}
	return out, nil
}

// CheckTokens compares a tree with PHP's tokens: where the tree has an
// operator, a keyword, a bracket, a number, a name, a variable or a string,
// PHP must have a token of the same extent. It gives the nodes for which that
// is not so, in source order, the outermost only: there the tree and PHP read
// different things, and no edit is to be made. Bad nodes are passed over.
func (f *File) CheckTokens(tokens []Token) []*Node {
	var out []*Node
	f.Walk(func(n *Node) bool {
		if n.Bad || n.Len() == 0 && n.Kind != "heredoc_end" {
			return !n.Bad
		}
		if !agrees(n, tokens) {
			out = append(out, n)
			return false
		}
		return !n.Is("variable_name", "string", "qualified_name", "namespace_name", "visibility_modifier")
	})
	return out
}

// agrees reports whether PHP has a token where the tree has n, as far as that
// can be told from n alone.
func agrees(n *Node, tokens []Token) bool {
	switch n.Kind {
	case "string", "integer", "float", "boolean", "null":
		return tokenAt(tokens, n.Start).End == n.End
	case "name":
		return tokenAt(tokens, n.Start).End == n.End || n.Parent.Is("heredoc")
	case "comment":
		return tokenAt(tokens, n.Start).Len() > 0 || n.Parent.Is("heredoc", "heredoc_body") // the grammar sees comments there
	case "variable_name", "encapsed_string", "qualified_name", "heredoc", "nowdoc":
		return tokenAt(tokens, n.Start).Len() > 0
	case "php_tag":
		return strings.HasPrefix(tokenAt(tokens, n.Start).Kind, "T_OPEN_TAG")
	case "heredoc_end":
		return tokenEnding(tokens, n.End).Kind == "T_END_HEREDOC"
	}
	if n.Named || len(n.Children) > 0 {
		return true
	}
	if n.Kind == "(void)" {
		return tokenAt(tokens, n.Start).Len() > 0
	}
	if n.Kind == pipe { // two tokens to a PHP that does not know it
		return tokenAt(tokens, n.Start).Len() > 0 && tokenEnding(tokens, n.End).Len() > 0
	}
	if n.Parent.Is("encapsed_string", "heredoc", "nowdoc", "heredoc_body", "nowdoc_body", "shell_command_expression", "cast_expression", "yield_expression", "text_interpolation", "dynamic_variable_name") {
		return true // one token of PHP's holds several of the tree's, or the other way round
	}
	return tokenAt(tokens, n.Start).End == n.End
}

// tokenAt gives the token that begins at an offset, or an empty one.
func tokenAt(tokens []Token, offset int) Token {
	i := sort.Search(len(tokens), func(i int) bool { return tokens[i].Start >= offset })
	if i < len(tokens) && tokens[i].Start == offset {
		return tokens[i]
	}
	return Token{Span: Span{-1, -1}}
}

// tokenEnding gives the token that ends at an offset, or an empty one.
func tokenEnding(tokens []Token, offset int) Token {
	i := sort.Search(len(tokens), func(i int) bool { return tokens[i].End >= offset })
	if i < len(tokens) && tokens[i].End == offset {
		return tokens[i]
	}
	return Token{Span: Span{-1, -1}}
}
