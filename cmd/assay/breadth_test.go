//go:build linux

package main

import (
	"testing"

	"assay/mutate"
	"assay/mutate/syntax"
)

// The breadth core makes nothing of the text of an exception, wide does, and
// so it stays when operators are chosen by name.
func TestChosenOperatorsKeepTheirBreadth(t *testing.T) {
	f, err := syntax.Parse("x", []byte(`<?php throw new LogicException('no tide');`))
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		o    sourceOptions
		want int
	}{
		{sourceOptions{Breadth: "core"}, 0},
		{sourceOptions{Breadth: "core", Only: []string{"string"}}, 0},
		{sourceOptions{Breadth: "core", Disable: []string{"array"}}, 0},
		{sourceOptions{Breadth: "wide"}, 1},
	} {
		ops, err := chooseOperators(c.o)
		if err != nil {
			t.Fatal(err)
		}
		got := 0
		for _, op := range ops {
			if op.ID == "string/emptied" {
				got += len(mutate.EditsOf(f, op))
			}
		}
		if got != c.want {
			t.Errorf("%+v: %d mutants of the message, want %d", c.o, got, c.want)
		}
	}
}
