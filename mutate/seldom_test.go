package mutate

import (
	"strings"
	"testing"

	"assay/mutate/syntax"
)

func TestSeldom(t *testing.T) {
	table := "return [" + strings.Repeat("'a', ", largeTable-1) + "'tide'];"
	for _, c := range []struct{ code, change, want string }{
		{table, "'tide'", TableEntry},
		{table, ", 'tide'", TableEntry},
		{table, table[7 : len(table)-1], ""},
		{strings.Replace(table, "'a', ", "", 1), "'tide'", ""},
		{"function f() { return [" + strings.Repeat("'a', ", largeTable) + "function () { return 1; }]; }", "1", ""},
		{"class_exists(Tide::class);", "class_exists(Tide::class);", Preloading},
		{`\interface_exists(Tide::class);`, `\interface_exists(Tide::class);`, Preloading},
		{"if (class_exists(Tide::class)) { f(); }", "class_exists(Tide::class)", ""},
		{"private const KNOWN = ['ebb' => true, 'flood' => true, 'slack' => true];", "true", SetValue},
		{"private const KNOWN = ['ebb' => true, 'flood' => true, 'slack' => false];", "true", ""},
		{"private const KNOWN = ['ebb' => true, 'flood' => true];", "true", ""},
		{"private const KNOWN = ['ebb' => true, 'flood' => true, 'slack' => true];", "'flood'", ""},
		{"return rtrim($n, '.0');", "'.0'", TrimmedList},
		{"return rtrim('.0', $n);", "'.0'", ""},
		{"return fread($h, 8192);", "8192", ChunkSize},
		{"return g($h, 8192);", "8192", ""},
		{"return $this->fread($h, 8192);", "8192", ""},
	} {
		code := c.code
		if strings.HasPrefix(code, "private") {
			code = "class Gauge { " + code + " }"
		}
		checkSeldom(t, code, c.change, c.want)
	}
	for class, want := range map[string]string{"Late extends Oops": "", "LateError": OwnMessage, "Late extends \\RuntimeException": OwnMessage} {
		checkSeldom(t, "class "+class+" { static function by($n) { return new self('late by ' . $n); } }", "'late by '", want)
		checkSeldom(t, "class "+class+" { static function by($n) { return new static($n + 1); } }", "$n + 1", want)
		checkSeldom(t, "class "+class+" { static function by($n) { return new Other('late'); } }", "'late'", "")
	}
	if got := Seldom(&Mutant{}, nil); got != "" {
		t.Errorf("without a tree: %q", got)
	}
}

func checkSeldom(t *testing.T, code, change, want string) {
	t.Helper()
	f, err := syntax.Parse("", []byte("<?php "+code))
	if err != nil {
		t.Fatal(err)
	}
	at := strings.Index(string(f.Src), change)
	m := &Mutant{Edit: Edit{Span: syntax.Span{Start: at, End: at + len(change)}}}
	if got := Seldom(m, f); got != want {
		t.Errorf("%s in %s: %q, want %q", change, code, got, want)
	}
}
