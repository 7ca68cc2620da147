package operators

import "testing"

// TestCaughtParents asks PHP for the parents of its own exceptions.
func TestCaughtParents(t *testing.T) {
	var wrong []string
	askPHP(t, `<?php $wrong = [];
foreach (json_decode(stream_get_contents(STDIN), true) as $class => $parent) {
	$is = get_parent_class($class) ?: 'Throwable';
	if (!class_exists($class) || $is !== $parent) $wrong[] = "$class extends $is, not $parent";
}
echo json_encode($wrong);
`, caughtParents, &wrong)
	for _, w := range wrong {
		t.Error(w)
	}
}
