package project

import (
	"encoding/json"
	"os"
	osexec "os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/rogpeppe/go-internal/txtar"

	"assay/mutate"
)

// TestAsPHPUnitSeesIt compares what Find makes of a configuration with what
// PHPUnit 9.6 itself (Debian's package) makes of it: the same test files, and
// no source file that PHPUnit would not count as source; what PHPUnit counts
// and Find does not is a test, in a directory of tests, or explained by a
// note.
func TestAsPHPUnitSeesIt(t *testing.T) {
	archives, err := filepath.Glob("../../testdata/project/*.txtar")
	if err != nil {
		t.Fatal(err)
	}
	compared := 0
	for _, path := range archives {
		arch, err := txtar.ParseFile(path)
		if err != nil {
			t.Fatal(err)
		}
		root := layArchive(t, arch)
		opts, dir := archiveOptions(t, string(arch.Comment), root)
		if len(opts.Paths)+len(opts.Exclude) > 0 {
			continue
		}
		opts.SourceOnly = true
		p, err := Find(filepath.Join(root, dir), opts)
		if err != nil || p.Config == nil {
			continue
		}
		theirs := askPHPUnit(t, p.Config.Path)
		if d := cmp.Diff(relative(p.Root, theirs.Tests), p.Tests); d != "" {
			t.Errorf("%s: tests: -PHPUnit +ours:\n%s", path, d)
		}
		compared++
		if p.Config.SourceElement == "source" || p.Config.SourceElement == "" {
			continue // PHPUnit 9.6 does not read <source>
		}
		source := relative(p.Root, theirs.Source)
		for _, f := range p.Files {
			if !slices.Contains(source, f) {
				t.Errorf("%s: %s is no source to PHPUnit", path, f)
			}
		}
		for _, f := range source {
			noted := slices.ContainsFunc(p.Notes, func(n mutate.Note) bool { return n.Path == f })
			if !slices.Contains(p.Files, f) && !slices.Contains(p.Tests, f) && !noted && !strings.Contains(f, "tests/") {
				t.Errorf("%s: %s is source to PHPUnit", path, f)
			}
		}
	}
	if compared < 5 {
		t.Errorf("only %d configurations were compared", compared)
	}
}

// layArchive writes an archive's files, links and quoted bytes to a new
// directory and gives its real path.
func layArchive(t *testing.T, arch *txtar.Archive) string {
	t.Helper()
	root, err := filepath.EvalSymlinks(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range arch.Files {
		layEntry(t, root, f)
	}
	return root
}

func askPHPUnit(t *testing.T, config string) (files struct{ Tests, Source []string }) {
	t.Helper()
	c := osexec.Command("php", "../../testdata/oracle/phpunit_files.php", config)
	c.Stderr = os.Stderr
	out, err := c.Output()
	if err != nil {
		t.Fatalf("%s: %v (these tests need PHP and Debian's phpunit)", config, err)
	}
	if err := json.Unmarshal(out, &files); err != nil {
		t.Fatalf("%s: %v in %.200q", config, err, out)
	}
	return files
}

// relative gives paths below root relative to it, sorted; others as they are.
func relative(root string, paths []string) []string {
	var out []string
	for _, p := range paths {
		if r, ok := below(root, p); ok {
			p = r
		}
		out = append(out, p)
	}
	slices.Sort(out)
	return out
}
