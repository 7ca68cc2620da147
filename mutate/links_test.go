package mutate

import (
	"maps"
	"slices"
	"testing"

	"assay/mutate/syntax"
)

func TestClassLinks(t *testing.T) {
	f, err := syntax.Parse("a.php", []byte(`<?php
namespace Dock;
use Sea\Boat as Vessel, Sea\Oar;
use Sea\{Rope, Knot\Reef as R};
use function Sea\Ship;
final class Ferry extends Vessel implements Oar, \Countable, Local { use Rope, R; use \Top, namespace\Own; }
interface Both extends Oar, Sub\Thing {}
enum Kind: string implements R\Deep {}
class Alone {}
`))
	if err != nil {
		t.Fatal(err)
	}
	want := map[string][]string{
		`dock\ferry`: {`sea\boat`, `sea\oar`, `countable`, `dock\local`, `sea\rope`, `sea\knot\reef`, `top`, `dock\own`},
		`dock\both`:  {`sea\oar`, `dock\sub\thing`},
		`dock\kind`:  {`sea\knot\reef\deep`},
		`dock\alone`: nil,
	}
	if got := classLinks(f); !maps.EqualFunc(got, want, slices.Equal) {
		t.Errorf("%q\nwant %q", got, want)
	}
}
