package mutate

import (
	"maps"
	"os"
	osexec "os/exec"
	"slices"
	"strings"
	"testing"
)

// TestPureFunctions asks PHP whether the functions that are evaluated twice take no
// references and call nothing back: its own description of their parameters. Those that
// this PHP does not have yet are left to a later one.
func TestPureFunctions(t *testing.T) {
	php, err := osexec.LookPath("php")
	if err != nil {
		if os.Getenv("CI") != "" {
			t.Fatal(err)
		}
		t.Skip(err)
	}
	const ask = `$known = 0;
foreach (array_slice($argv, 1) as $name) {
	if (!function_exists($name)) {
		continue;
	}
	++$known;
	foreach ((new ReflectionFunction($name))->getParameters() as $p) {
		if ($p->isPassedByReference() || strpos((string) $p->getType(), 'callable') !== false) {
			echo "$name: \$$p->name\n";
		}
	}
}
fwrite(STDERR, $known);`
	names := slices.Sorted(maps.Keys(pureFunctions))
	cmd := osexec.Command(php, append([]string{"-r", ask, "--"}, names...)...)
	var known strings.Builder
	cmd.Stderr = &known
	out, err := cmd.Output()
	if err != nil || len(out) > 0 {
		t.Errorf("%v: %s", err, out)
	}
	if len(known.String()) < 3 {
		t.Errorf("PHP knows %s of %d functions", known.String(), len(names))
	}
}
