//go:build linux

package exec

import (
	"regexp"
	"strings"
	"sync"
)

// A phpt file is a test that PHPUnit runs in a PHP process of its own, without our ini
// file: it sets auto_prepend_file to nothing. For that process to tell what it runs, the
// code in the file loads the probe itself.

// phptCode finds where a section of code of a phpt file begins, and what must stand before
// any other code: a declare and a namespace.
var phptCode = sync.OnceValue(func() *regexp.Regexp {
	return regexp.MustCompile(`(?i)(?m:^--(?:FILE|FILEEOF|SKIPIF|CLEAN)--[ \t]*\r?\n)(?:#![^\n]*\n)?\s*<\?php\b` +
		`(?:(?:\s|//[^\n]*\n|#[^\[\n][^\n]*\n|/\*(?s:.*?)\*/)*(?:declare\s*\([^()]*\)\s*;|namespace\s+[\w\\]+\s*;))*`)
})

// tellingPhpt gives the text of a phpt file whose code loads the probe, on the lines that
// it has. Where it has been put wrong, or a section has no code to put it before, the test
// fails, and is taken to run all there is.
func tellingPhpt(text []byte, probe string) []byte {
	load := " require_once '" + quotedPHP.Replace(probe) + "';"
	return phptCode().ReplaceAllFunc(text, func(begin []byte) []byte { return append(begin[:len(begin):len(begin)], load...) })
}

// quotedPHP writes a text as it must stand in single quotes.
var quotedPHP = strings.NewReplacer(`\`, `\\`, `'`, `\'`)
