package syntax

import "testing"

func TestNamedKind(t *testing.T) {
	for kind, want := range map[string]bool{
		"binary_expression": true, "string": true, "integer": true, "object_creation_expression": true,
		"expression": false, "==": false, "if": false, "binary_expresion": false, "": false,
	} {
		if got := NamedKind(kind); got != want {
			t.Errorf("NamedKind(%q) = %v", kind, got)
		}
	}
}
