//go:build linux

package main

import (
	"context"
	"errors"
	"sync/atomic"
	"testing"
)

// looked is a context that ends when it is asked for the last time that is left.
type looked struct {
	context.Context
	left atomic.Int64
}

func (c *looked) Err() error {
	if c.left.Add(-1) < 0 {
		return context.Canceled
	}
	return nil
}

func endsAfter(t *testing.T, looks int64) *looked {
	c := &looked{Context: t.Context()}
	c.left.Store(looks)
	return c
}

// TestLoadHearsContext: a signal that comes while mutants are made ends that, whenever it
// comes.
func TestLoadHearsContext(t *testing.T) {
	o := sourceOptions{Project: "../../testdata/demo", Breadth: "wide"}
	const many = 1 << 30
	whole := endsAfter(t, many)
	code, err := load(whole, o, nil, nil)
	if err != nil || len(code.mutants) == 0 {
		t.Fatalf("the demo's mutants: %v", err)
	}
	looks := many - whole.left.Load()
	if looks < 10*int64(len(code.Files)) {
		t.Errorf("%d looks at the context for %d files", looks, len(code.Files))
	}
	for left := int64(0); left < looks; left += 1 + looks/40 {
		if _, err := load(endsAfter(t, left), o, nil, nil); !errors.Is(err, context.Canceled) {
			t.Errorf("the context ends at look %d of %d: %v", left+1, looks, err)
		}
	}
}
