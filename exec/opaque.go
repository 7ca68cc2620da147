//go:build linux

package exec

import (
	"fmt"
	"regexp"
	"strings"
)

// PHP's optimiser takes 0.0 and -0.0 for one value, which they are not: a text that is made of
// them and fdiv() tell them apart. Where the type of $x is known to be float, it makes $x of
// $x + 0 (for -0.0 that is 0.0), and where both branches of a condition give a zero it takes
// either. Seen in PHP 8.2.36, and shown by TestZerosAreNotForTheOptimiser.
//
// So what it does with zeros must not make a mutant the original. Each text is compiled with
// names in place of its floats and of its zeros, of constants that nobody defines: code that is
// the same for any value that they may have is the same for the one that they have. And a change
// that adds, subtracts or negates is not compared at all. What is left is a zero that PHP works
// out from other numbers while it compiles, in two signs.

// zero is an integer of that value, as PHP writes it.
var zero = regexp.MustCompile(`^0[xXbBoO]?[0_]*$`)

// opaque gives a text with names for its floats and zeros. Lines stay what they are.
func opaque(text []byte, tokens []rawToken) ([]byte, error) {
	var b strings.Builder
	done, declares := 0, false
	for _, t := range tokens {
		name, at, own, ok := t.in(text)
		if !ok {
			return nil, fmt.Errorf("php's syntax helper names a token %v outside of the text", t)
		}
		switch {
		case name == "T_DECLARE":
			declares = true // its values have to be literals
		case own == ")":
			declares = false
		case declares:
		case name == "T_DNUMBER", name == "T_LNUMBER" && zero.MatchString(own):
			b.Write(text[done:at])
			b.WriteString(opaqueName(own))
			done = at + len(own)
		}
	}
	b.Write(text[done:])
	return []byte(b.String()), nil
}

// opaqueName is a constant for a number: another one for each way to write one.
func opaqueName(number string) string {
	return " \\ASSAY_NUMBER_" + strings.NewReplacer(".", "_POINT_", "+", "_PLUS_", "-", "_MINUS_").Replace(number) + " "
}

// maySign reports whether a text can make a number another one's opposite, or add to it.
func maySign(text string) bool {
	return strings.ContainsAny(strings.ReplaceAll(text, "->", ""), "+-")
}

// saysPlace reports whether a text asks where it lies, or how long it is. It is not compiled where
// it lies, nor as long as it is.
func saysPlace(text []byte) bool {
	lower := strings.ToLower(string(text))
	for _, word := range []string{"__dir__", "__file__", "__halt_compiler", "__compiler_halt_offset__"} {
		if strings.Contains(lower, word) {
			return true
		}
	}
	return false
}
