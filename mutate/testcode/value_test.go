package testcode

import (
	"encoding/hex"
	"fmt"
	"math"
	osexec "os/exec"
	"path/filepath"
	"strings"
	"testing"

	"os"

	"assay/mutate"
)

func null() mutate.Value             { return mutate.Value{Kind: mutate.ValueNull} }
func boolean(b bool) mutate.Value    { return mutate.Value{Kind: mutate.ValueBool, Bool: b} }
func number(n int64) mutate.Value    { return mutate.Value{Kind: mutate.ValueInt, Int: n} }
func real(f float64) mutate.Value    { return mutate.Value{Kind: mutate.ValueFloat, Float: f} }
func text(s string) mutate.Value     { return mutate.Value{Kind: mutate.ValueString, String: s} }
func variable(n string) mutate.Value { return mutate.Value{Kind: mutate.ValueVariable, Variable: n} }
func object(class string, args ...mutate.Value) mutate.Value {
	return mutate.Value{Kind: mutate.ValueNew, Class: class, Args: arguments(args...)}
}
func enum(class, name string) mutate.Value {
	return mutate.Value{Kind: mutate.ValueCase, Class: class, Name: name}
}

func arguments(values ...mutate.Value) []mutate.Argument {
	var out []mutate.Argument
	for _, v := range values {
		out = append(out, mutate.Argument{Value: v})
	}
	return out
}

func list(values ...mutate.Value) mutate.Value {
	v := mutate.Value{Kind: mutate.ValueArray}
	for i, e := range values {
		v.Items = append(v.Items, mutate.Item{Key: number(int64(i)), Value: e})
	}
	return v
}

func table(pairs ...mutate.Value) mutate.Value {
	v := mutate.Value{Kind: mutate.ValueArray}
	for i := 0; i < len(pairs); i += 2 {
		v.Items = append(v.Items, mutate.Item{Key: pairs[i], Value: pairs[i+1]})
	}
	return v
}

// canon says what a value is, bit by bit; canonPHP does so in PHP.
func canon(v mutate.Value) string {
	switch v.Kind {
	case mutate.ValueNull:
		return "null"
	case mutate.ValueBool:
		return fmt.Sprintf("bool %t", v.Bool)
	case mutate.ValueInt:
		return fmt.Sprintf("int %d", v.Int)
	case mutate.ValueFloat:
		if math.IsNaN(v.Float) {
			return "nan"
		}
		return fmt.Sprintf("float %016x", math.Float64bits(v.Float))
	case mutate.ValueString:
		return "string " + hex.EncodeToString([]byte(v.String))
	}
	var parts []string
	for _, it := range v.Items {
		parts = append(parts, canon(it.Key)+" => "+canon(it.Value))
	}
	return "[" + strings.Join(parts, ", ") + "]"
}

const canonPHP = `
function canon($v): string {
    if (is_array($v)) {
        $parts = [];
        foreach ($v as $k => $e) { $parts[] = canon($k) . ' => ' . canon($e); }
        return '[' . implode(', ', $parts) . ']';
    }
    if (is_string($v)) { return 'string ' . bin2hex($v); }
    if (is_float($v)) { return is_nan($v) ? 'nan' : 'float ' . bin2hex(pack('E', $v)); }
    if (is_bool($v)) { return 'bool ' . ($v ? 'true' : 'false'); }
    return is_int($v) ? "int $v" : 'null';
}
`

func allBytes() string {
	b := make([]byte, 256)
	for i := range b {
		b[i] = byte(i)
	}
	return string(b)
}

func values() []mutate.Value {
	texts := []string{"", "a", "it's", `say "hi"`, "$cents", `\`, `\\`, `a\b`, `a\\b`, `\'`, `'\`, `{$x}`, "${x}", "tab\there", "a\nb", "a\nb\nc", "a\n\nb\n",
		"  indented\n    more\nless", "trailing \nblank\nx", "\ta\n\tb\n\tc", "TEXT\nTEXT\nTEXTS\n", "c\r\nd\r\ne", "\x00", "\x000", "\xe4\xf6", "gr\u00fc\u00df", "\u200bhidden",
		"\u202eabc", "\x1b[31m", "\x7f", "\u00a0", "\n", "\n\n\n", "<?php ?>\n?>\nx", "'\n'\n'", allBytes(), strings.Repeat("long ", 60)}
	floats := []float64{0, math.Copysign(0, -1), 1, -1, 0.1, 0.30000000000000004, 1e15, 1e16, 123456789012345680, 1e22, 1e100, -1e-7, 1.5e-5, 5e-324, math.MaxFloat64,
		math.Inf(1), math.Inf(-1), math.NaN(), 9007199254740993, 100.0, 2.5, math.Pi}
	var out []mutate.Value
	for _, s := range texts {
		out = append(out, text(s), list(text(s)), table(text(s+"x"), text(s), text("k"), list(text(s), number(1))))
	}
	for _, f := range floats {
		out = append(out, real(f))
	}
	for _, n := range []int64{0, -1, 1, math.MaxInt64, math.MinInt64, math.MinInt64 + 1} {
		out = append(out, number(n))
	}
	return append(out, null(), boolean(true), boolean(false), list(),
		table(number(1), text("one"), text("two"), number(2), number(-5), null(), text("x y"), list(real(1), table(text(""), list()))),
		table(number(0), number(1), number(2), number(3)),
		list(list(number(1), number(2)), list(text(strings.Repeat("wide ", 12)), text(strings.Repeat("wider ", 12)), list(text("a\nb\nc")))),
		table(number(math.MinInt64), number(math.MinInt64)))
}

// PHP reads each value back, in each style, bit by bit.
func TestValuesRoundTrip(t *testing.T) {
	styles := map[string]style{
		"plain":   {newline: "\n", indent: "    ", utf8: true},
		"long":    {newline: "\n", indent: "\t", longArrays: true, utf8: true},
		"crlf":    {newline: "\r\n", indent: "  ", utf8: true},
		"latin-1": {newline: "\n", indent: "    "},
	}
	for name, s := range styles {
		t.Run(name, func(t *testing.T) {
			c := &code{&s, &names{}}
			b := strings.Builder{}
			b.WriteString("<?php\n" + canonPHP)
			var want []string
			for _, v := range values() {
				want = append(want, canon(v))
				b.WriteString(s.indent + "echo canon(" + c.value(v, s.indent) + "), \"\\n\";" + s.newline)
			}
			got := strings.Split(strings.TrimSuffix(runPHP(t, b.String()), "\n"), "\n")
			if len(got) != len(want) {
				t.Fatalf("PHP prints %d values, not %d:\n%s", len(got), len(want), strings.Join(got, "\n"))
			}
			for i, v := range values() {
				if got[i] != want[i] {
					t.Errorf("%s\nis read as %s,\nnot as     %s", c.value(v, s.indent), got[i], want[i])
				}
			}
		})
	}
}

func FuzzText(f *testing.F) {
	for _, v := range values() {
		if v.Kind == mutate.ValueString {
			f.Add(v.String)
		}
	}
	s := style{newline: "\n", indent: "    ", utf8: true}
	f.Fuzz(func(t *testing.T, in string) {
		out := runPHP(t, "<?php\n"+canonPHP+"echo canon("+(&code{&s, &names{}}).value(text(in), "    ")+");")
		if want := canon(text(in)); out != want {
			t.Errorf("%q is read as %s, not as %s", in, out, want)
		}
	})
}

func TestValuesAreReadable(t *testing.T) {
	c := &code{&style{newline: "\n", indent: "    ", utf8: true}, &names{}}
	for _, test := range []struct {
		value mutate.Value
		want  string
	}{
		{text("plain"), `'plain'`},
		{text(`Acme\Fare`), `'Acme\Fare'`},
		{text("it's"), `'it\'s'`},
		{text("$5"), `'$5'`},
		{text("a\nb"), `"a\nb"`},
		{text("cost: $5\n"), `"cost: \$5\n"`},
		{text("caf\xe9"), `"caf\xE9"`},
		{text("über"), `'über'`},
		{text("one\ntwo\n  three"), "<<<'TEXT'\n    one\n    two\n      three\n    TEXT"},
		{real(1), "1.0"},
		{real(0.1), "0.1"},
		{real(1e22), "1.0e+22"},
		{number(math.MinInt64), "PHP_INT_MIN"},
		{list(number(1), null(), boolean(true)), "[1, null, true]"},
		{table(text("a"), number(1), number(7), list()), "['a' => 1, 7 => []]"},
		{enum("Grade", "Table"), "Grade::Table"},
		{object("DateTimeImmutable", text("2024-07-31")), "new DateTimeImmutable('2024-07-31')"},
	} {
		if got := c.value(test.value, ""); got != test.want {
			t.Errorf("got  %s\nwant %s", got, test.want)
		}
	}
}

// runPHP gives what PHP prints of a script.
func runPHP(t *testing.T, script string) string {
	t.Helper()
	php := need(t, "php")
	path := filepath.Join(t.TempDir(), "script.php")
	if err := os.WriteFile(path, []byte(script), 0o600); err != nil {
		t.Fatal(err)
	}
	out, err := osexec.Command(php, "-n", "-d", "display_errors=1", path).CombinedOutput()
	if err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	return string(out)
}

// need gives the path of a tool. Without it a test is skipped, but not where CI is set.
func need(t *testing.T, tool string) string {
	t.Helper()
	path, err := osexec.LookPath(tool)
	switch {
	case err != nil && os.Getenv("CI") != "":
		t.Fatalf("this test needs %s: %v", tool, err)
	case err != nil:
		t.Skipf("this test needs %s: %v", tool, err)
	}
	return path
}
