package operators

import (
	"fmt"
	osexec "os/exec"
	"strings"
	"testing"

	"assay/mutate"
	"assay/mutate/syntax"
)

// TestBetween: PHP accepts the value that is named by the wider of the two checks, and not by
// the other.
func TestBetween(t *testing.T) {
	made := strings.NewReplacer("an ArrayIterator", "new ArrayIterator([])", "an ArrayObject", "new ArrayObject()", "a generator", "(function () { yield 1; })()",
		"a folder", "sys_get_temp_dir()", "a file", "PHP_BINARY")
	asked := 0
	for _, op := range All() {
		if op.ID != "typecheck/check-widened" && op.ID != "typecheck/check-narrowed" {
			continue
		}
		names := []string{"is_numeric"}
		for name := range between {
			names = append(names, name)
		}
		for _, name := range names {
			f, err := syntax.Parse("", []byte("<?php $y = "+name+"($x);"))
			if err != nil {
				t.Fatal(err)
			}
			for _, x := range mutate.EditsOf(f, op) {
				hint := op.Hint(f, x.Node, x.Edit)
				values := strings.TrimPrefix(hint.Input, "Add a case with ")
				values = strings.TrimSuffix(values, ".")
				if hint.Input == "" {
					t.Errorf("%s: nothing is named", name)
				}
				for _, value := range strings.Split(values, " or ") {
					script := fmt.Sprintf("$x = %s; $a = (bool) (%s($x)); %s $b = (bool) $y; echo json_encode([$a, $b]);", made.Replace(value), name, strings.TrimPrefix(string(x.Edit.Apply(f.Src)), "<?php "))
					out, err := osexec.Command("php", "-r", script).CombinedOutput()
					want := "[false,true]"
					if op.ID == "typecheck/check-narrowed" {
						want = "[true,false]"
					}
					if asked++; err != nil || string(out) != want {
						t.Errorf("%s with %s: %s, want %s", x.Edit.Apply(f.Src), value, out, want)
					}
					if refused := strings.Contains(hint.Outcome, "does not pass"); refused != (want == "[false,true]") {
						t.Errorf("%s with %s: %s", x.Edit.Apply(f.Src), value, hint.Outcome)
					}
				}
			}
		}
	}
	if asked < 25 {
		t.Errorf("%d values asked for", asked)
	}
}
