package exec

import (
	"testing"

	"assay/exec/sandbox"
)

func TestSeenPrint(t *testing.T) {
	dir := fixtures + "/same-values"
	c := readClaims(t, dir)
	root := copyFixture(t, dir)
	got := judgeClaims(t, Settings{View: sandbox.Overlay, Root: root, PHP: lookPHP(t), PHPUnit: lookPHPUnit(t), Jobs: 2, Config: root + "/phpunit.xml"}, c.Claims)
	for i, v := range got {
		t.Logf("%q => %q: %v %q %+v", c.Claims[i].Before, c.Claims[i].After, v.Status, v.Seen.Word, v.Seen)
	}
}
