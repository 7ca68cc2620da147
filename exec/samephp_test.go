package exec

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"assay/exec/sandbox"
	"assay/mutate"
)

// TestSamePHP: without PHP, tests that start PHP fail, and that is no verdict.
// A change that no test would notice is in place of the mutant.
func TestSamePHP(t *testing.T) {
	ctx := context.Background()
	for _, c := range []struct {
		name, want string
		change     func(php string) error
	}{
		{"gone", "has gone", os.Remove},
		{"another", "was changed", func(php string) error { return os.Chtimes(php, time.Now(), time.Now().Add(time.Hour)) }},
	} {
		t.Run(c.name, func(t *testing.T) {
			root := copyFixture(t, filepath.Join(fixtures, "spawns-php"))
			php := filepath.Join(t.TempDir(), "php")
			if err := os.Symlink(lookPHP(t), php); err != nil {
				t.Fatal(err)
			}
			if c.name == "another" { // of a link the file that it leads to counts
				script := "#!/bin/sh\nexec '" + lookPHP(t) + "' \"$@\"\n"
				if err := errors.Join(os.Remove(php), os.WriteFile(php, []byte(script), 0o755)); err != nil {
					t.Fatal(err)
				}
			}
			e, err := Open(ctx, Settings{Root: root, PHP: php, PHPUnit: lookPHPUnit(t), Config: filepath.Join(root, "phpunit.xml"), Jobs: 2, View: sandbox.Copy})
			if err != nil {
				t.Fatal(err)
			}
			defer e.Close()
			points, sources, files := layOut(t, root)
			var all []*mutate.Points
			for _, p := range points {
				all = append(all, p)
			}
			s, err := e.Record(ctx, all, nil)
			if err != nil {
				t.Fatal(err)
			}
			m := &mutate.Mutant{ID: "a", Op: &mutate.Operator{ID: "claim/edit"}, Source: sources["src/Quote.php"]}
			m.Edit.Start = strings.Index(string(m.Source.Text), "250 + intdiv")
			m.Edit.End = m.Edit.Start + len("250")
			m.Edit.New = "(250)"
			points["src/Quote.php"].Locate(files["src/Quote.php"], m)
			if err := c.change(php); err != nil {
				t.Fatal(err)
			}
			err = e.Judge(ctx, s, Plan([]*mutate.Mutant{m}, s), func(v mutate.Verdict) { t.Errorf("judged %v by %s: %s", v.Status, v.Killer, v.Detail) })
			var fault *ProjectError
			if !errors.As(err, &fault) || !strings.Contains(fault.What, php+" "+c.want) {
				t.Errorf("error %v, want %s %s", err, php, c.want)
			}
		})
	}
}
