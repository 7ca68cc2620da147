//go:build linux

package main

import (
	"testing"

	"assay/operators"
	"assay/report"
)

// The page can be filtered by kinds of gaps, so no operator may be without.
func TestEveryOperatorHasAKindOfGap(t *testing.T) {
	for _, op := range operators.All() {
		if report.KindOf(op) == nil {
			t.Errorf("%s has none; put its family into the table of kinds in report/kinds.go", op.ID)
		}
	}
}
