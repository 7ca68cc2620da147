package syntax_test

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/rogpeppe/go-internal/txtar"

	"assay/mutate/syntax"
)

// seeds gives every PHP text of testdata: files, and the PHP sections of
// archives.
func seeds(f *testing.F) (out [][]byte) {
	f.Helper()
	err := filepath.WalkDir("../../testdata", func(path string, d os.DirEntry, err error) error {
		if err != nil || !d.Type().IsRegular() {
			return err
		}
		text, err := os.ReadFile(path)
		switch {
		case err != nil:
			return err
		case strings.HasSuffix(path, ".php"):
			out = append(out, text)
		case strings.HasSuffix(path, ".txtar"):
			for _, file := range txtar.Parse(text).Files {
				if strings.HasSuffix(file.Name, ".php") {
					out = append(out, unescape(file.Data))
				}
			}
		}
		return nil
	})
	if err != nil || len(out) == 0 {
		f.Fatalf("%d seeds: %v", len(out), err)
	}
	return out
}

// FuzzParse: whatever the bytes, there is a tree whose spans nest within the
// text, or an error; never a panic.
func FuzzParse(f *testing.F) {
	for _, src := range seeds(f) {
		f.Add(src)
	}
	f.Fuzz(func(t *testing.T, src []byte) {
		before := bytes.Clone(src)
		file, err := syntax.Parse("fuzz.php", src)
		if err != nil {
			return
		}
		checkTree(t, file, before)
	})
}

// FuzzParseTokens is FuzzParse with tokens that need not be PHP's: cuts says
// how long each is and of what kind.
func FuzzParseTokens(f *testing.F) {
	for i, src := range seeds(f) {
		f.Add(src, bytes.Repeat([]byte{byte(i), 3, 1, byte(i * 7)}, 20))
	}
	kinds := []string{
		"T_OPEN_TAG", "T_WHITESPACE", "T_STRING", "T_VARIABLE", "{", "}", "(", ")", "[", "]", ";", ",", ":", "=", "|", ">", "&",
		"T_ENUM", "T_CASE", "T_CONST", "T_CLASS", "T_FUNCTION", "T_USE", "T_SWITCH", "T_CLONE", "T_EXIT", "T_ATTRIBUTE",
		"T_START_HEREDOC", "T_END_HEREDOC", "T_CURLY_OPEN", "T_DOLLAR_OPEN_CURLY_BRACES", "T_INLINE_HTML", "T_HALT_COMPILER",
		"T_OPEN_TAG_WITH_ECHO", "T_CLOSE_TAG", "T_DEFAULT", "T_DOUBLE_ARROW", "T_FINAL", "T_AS", "T_PRIVATE", "T_PRIVATE_SET",
		"T_PUBLIC", "T_NAME_RELATIVE", "T_INSTEADOF", "T_DECLARE", "T_BOOL_CAST", "T_VOID_CAST", "T_REQUIRE", "T_PIPE", "T_COMMENT",
		"T_ELLIPSIS", "T_DOUBLE_COLON", "T_OBJECT_OPERATOR",
	}
	f.Fuzz(func(t *testing.T, src, cuts []byte) {
		var flat []int
		at := 0
		for i := 0; i+1 < len(cuts) && at < len(src); i += 2 {
			n := min(int(cuts[i])%16, len(src)-at)
			flat = append(flat, int(cuts[i+1])%len(kinds), n)
			at += n
		}
		if at < len(src) {
			flat = append(flat, 2, len(src)-at)
		}
		tokens, err := syntax.Tokens(kinds, flat, len(src))
		if err != nil {
			t.Fatal(err)
		}
		before := bytes.Clone(src)
		file, err := syntax.ParseTokens("fuzz.php", src, tokens)
		if err != nil {
			return
		}
		checkTree(t, file, before)
	})
}

// checkTree: the text is as it was; spans lie within it and within their
// parents'; siblings do not overlap; what a node says of its place is true.
func checkTree(t *testing.T, f *syntax.File, src []byte) {
	if !bytes.Equal(f.Src, src) {
		t.Fatal("Src was written to")
	}
	for _, d := range f.Damage {
		if d.Start < 0 || d.End < d.Start || d.End > len(src) || d.Reason == "" {
			t.Fatalf("damage %+v of %d bytes", d, len(src))
		}
	}
	f.Root.Walk(func(n *syntax.Node) bool {
		if n.Start < 0 || n.End < n.Start || n.End > len(src) {
			t.Fatalf("%s %+v of %d bytes", n.Kind, n.Span, len(src))
		}
		at := n.Start
		for i, c := range n.Children {
			if c.Parent != n || c.Index != i {
				t.Fatalf("%s %+v: child %d does not know its place", n.Kind, n.Span, i)
			}
			if c.Start < at || c.End > n.End && c.Len() > 0 {
				t.Fatalf("%s %+v: child %s %+v lies outside or over its neighbour", n.Kind, n.Span, c.Kind, c.Span)
			}
			at = c.End
		}
		if line, column := f.Position(n.Start); line < 1 || column < 1 {
			t.Fatalf("offset %d is at %d:%d", n.Start, line, column)
		}
		return true
	})
	for _, offset := range []int{0, len(src) / 2, len(src) - 1} {
		if n := f.At(offset); n != nil {
			_ = f.Scope(n).String()
		}
	}
	_ = f.Dump(f.Root)
}

// TestTokensRefuseNonsense: a list that does not cover the text is an error
// that says where.
func TestTokensRefuseNonsense(t *testing.T) {
	for want, flat := range map[string][]int{
		"tokens: 1 numbers are not pairs":                      {0},
		"tokens: they cover 2 bytes of 5":                      {0, 2},
		"tokens: pair 1 (0, 4) at byte 2 of 5 makes no sense":  {0, 2, 0, 4},
		"tokens: pair 0 (1, 5) at byte 0 of 5 makes no sense":  {1, 5},
		"tokens: pair 0 (0, -1) at byte 0 of 5 makes no sense": {0, -1},
	} {
		if _, err := syntax.Tokens([]string{";"}, flat, 5); err == nil || err.Error() != want {
			t.Errorf("%v: got %v, want %s", flat, err, want)
		}
	}
	if got, err := syntax.Tokens([]string{";", "T_INLINE_HTML"}, []int{0, 1, 1, 0, 0, 1}, 2); err != nil || len(got) != 2 {
		t.Errorf("an empty token is not passed over: %v %v", got, err)
	}
}
