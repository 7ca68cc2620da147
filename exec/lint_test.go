package exec

import (
	osexec "os/exec"
	"testing"
)

// TestLinterSurvivesOddTexts: each text makes PHP's tokenizer warn or throw
// something else than a ParseError, and the answers stay in step.
func TestLinterSurvivesOddTexts(t *testing.T) {
	php, dir := phpAndHarness(t)
	l, err := startLinter([]string{php, "-d", "display_errors=1"}, dir)
	if err != nil {
		t.Fatal(err)
	}
	defer l.close()
	for _, c := range []struct {
		text string
		want bool
	}{
		{`<?php $octal = "\542";`, true},
		{"<?php declare(encoding='latin1'); echo 1;", true},
		{"<?php class A { public private $x; }", false},
		{"<?php { __halt_compiler(); }", false},
		{"<?php $x = ;", false},
		{"<?php $x = 1;", true},
	} {
		got, err := l.parses([]byte(c.text))
		if err != nil || got != c.want {
			t.Errorf("%s: %t, %v; want %t", c.text, got, err, c.want)
		}
		if _, err := l.tokens([]byte(c.text)); err != nil {
			t.Errorf("%s: %v", c.text, err)
		}
	}
}

// phpAndHarness gives PHP, and a folder that has the harness.
func phpAndHarness(t *testing.T) (php, dir string) {
	t.Helper()
	php, err := osexec.LookPath("php")
	if err != nil {
		t.Fatal("needs php")
	}
	dir = t.TempDir()
	if err := writeHarness(dir); err != nil {
		t.Fatal(err)
	}
	return php, dir
}
