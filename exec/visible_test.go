package exec

import (
	"bytes"
	"encoding/json"
	"os"
	osexec "os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"syscall"
	"testing"

	"assay/exec/sandbox"
	"assay/exec/sandbox/sandboxtest"
)

// image is what a test saw of its process, by kind.
type image map[string][]string

// known is a difference that there is, and why. A first "+" is for what is only seen under
// assay, "-" for what is only seen without it.
type known struct{ kind, pattern, why string }

// seenNine and seenTen are those that there are with PHPUnit 9 and with later versions besides.
var (
	seenNine = []known{
		{"stack", `- PHPUnit\\TextUI\\Command::main phpunit`, "PHPUnit is called by the harness, not by its own script"},
		{"stack", `\+ PHPUnit\\TextUI\\Command::main main\.php`, "the same"},
		{"stack", `[-+] PHPUnit\\Framework\\TestCase->run (TestSuite|Suite9)\.php`, "a copy of a test in a batch is run by the harness"},
	}
	seenTen = []known{
		{"stack", `- PHPUnit\\TextUI\\Application->run phpunit`, "PHPUnit is called by the harness, not by its own script"},
		{"stack", `\+ PHPUnit\\TextUI\\Application->run Suite10\.php`, "the same"},
		{"stack", `[-+] PHPUnit\\Framework\\Test(Suite|Case)->run (TestSuite|Slot|Suite10)\.php`, "each test and suite stands in a slot of the harness, for PHPUnit asks nobody else whether it is to run it"},
		{"files", `[-+] .*/PHPUnit/(TextUI/(Output/.*|ShellExitCodeCalculator)|Event/Tracer)\.php`, "PHPUnit prints nothing here, and its events are followed"},
		{"classes", `[-+] PHPUnit\\(TextUI\\(Output\\.*|ShellExitCodeCalculator)|Event\\Tracer\\Tracer)`, "the same"},
		{"files", `\+ .*/(PHPUnit|SebastianBergmann|TheSeer|PharIo|DeepCopy|PhpParser|staabm)/.*`, "what PHPUnit has loaded by the end of a whole run is loaded before the suite is built"},
		{"classes", `\+ (PHPUnit|SebastianBergmann|TheSeer|PharIo|DeepCopy|PhpParser|staabm)\\.*`, "the same"},
		{"descriptors", `- 4 pipe:`, "its printer has a stream of its own"},
		{"constants", `[-+] PHPUNIT_COMPOSER_INSTALL=.*`, "the same file, by its shortest path"},
	}
)

// seenOurs are those that there are with all versions of PHPUnit.
var seenOurs = []known{
	{"stack", `\+ PHPUnit\\AssayHarness\\.*`, "a copy of a test in a batch is run by the harness; TestVisible asks that with PHPUnit 9 it is so nowhere else"},
	{"classes", `\+ PHPUnit\\AssayHarness\\.*`, "the harness is written in PHP"},
	{"classes", `(?s)\+ class@anonymous\x00.*/harness/.*`, "the same"},
	{"files", `\+ .*/harness/[A-Za-z0-9]+\.php`, "the same"},
	{"files", `- .*/phpunit`, "PHPUnit is called by the harness, not by its own script"},
	{"functions", `\+ assay_hit`, "probed sources call it, in processes that tests start as well"},
	{"settings", `[-+] auto_prepend_file=.*`, "while points are recorded, processes that tests start have the function from there"},
	{"server", `[-+] (argv|argc|REQUEST_TIME|REQUEST_TIME_FLOAT)=.*`, "options that change no result; times differ anyway"},
	{"server", `\+ (TMPDIR|TEST_TOKEN|UNIQUE_TEST_TOKEN|XDEBUG_MODE|USE_ZEND_ALLOC_HUGE_PAGES|ZEND_DONT_UNLOAD_MODULES|ASSAY_SPOOL|PHP_INI_SCAN_DIR)=.*`, "the environment that workers have"},
	{"environment", `\+ (TMPDIR|TEST_TOKEN|UNIQUE_TEST_TOKEN|XDEBUG_MODE|USE_ZEND_ALLOC_HUGE_PAGES|ZEND_DONT_UNLOAD_MODULES|ASSAY_SPOOL|PHP_INI_SCAN_DIR)=.*`, "the same"},
	{"descriptors", `- 3 .*/phpunit`, "PHP keeps its script open"},
	{"descriptors", `\+ 3 .*/main\.php`, "the same"},
	{"descriptors", `\+ 4 .*/Probe\.php`, "while points are recorded: a file that is prepended stays open"},
	{"descriptors", `\+ \d socket:`, "the connection to the supervisor"},
	{"resources", `\+ stream`, "the same"},
}

// TestVisible has a test look at all that it can see of its process, by phpunit and in
// every way in which assay runs it, and compares. PHP and PHPUnit are the oracle.
func TestVisible(t *testing.T) {
	root := copyFixture(t, "testdata/visible")
	file := filepath.Join(sandboxtest.Outside(t), "images")
	t.Setenv("MIRROR_IMAGES", file)
	t.Setenv("PWD", root)
	cmd := osexec.Command(lookPHP(t), "-d", "opcache.enable_cli=0", "-d", "pcov.enabled=0", lookPHPUnit(t), "--configuration", filepath.Join(root, "phpunit.xml"))
	cmd.Env = slices.DeleteFunc(os.Environ(), func(v string) bool { return strings.HasPrefix(v, "TMPDIR=") })
	cmd.Dir, cmd.SysProcAttr = root, &syscall.SysProcAttr{Setpgid: true} // as shells do
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	plain := images(t, file)
	if len(plain) != 1 {
		t.Fatalf("phpunit wrote %d images", len(plain))
	}
	claims := []claim{{File: "src/Mirror.php", Before: "$stones >= 1", After: "$stones > 1"}, {File: "src/Mirror.php", Before: "$stones * 2", After: "$stones + 2"}}
	all := slices.Concat(seenOurs, seenNine)
	if lookMajor(t) > 9 {
		all = slices.Concat(seenOurs, seenTen)
	}
	used := map[known]bool{}
	for _, way := range []struct {
		name string
		set  Settings
	}{
		{"batched", Settings{}},
		{"played", Settings{SwapOnly: true}},
		{"cold", Settings{Cold: true}},
	} {
		t.Run(way.name, func(t *testing.T) {
			set := way.set
			set.Root, set.PHP, set.PHPUnit, set.Jobs, set.View, set.Unconfined = root, lookPHP(t), lookPHPUnit(t), 1, sandbox.Overlay, true
			set.Config = filepath.Join(root, "phpunit.xml")
			for _, v := range judgeEdits(t, set, claims, false) {
				if v.Status.String() != "survived" {
					t.Errorf("%v (%s)", v.Status, v.Detail)
				}
			}
			got := images(t, file)
			if len(got) < 3 {
				t.Fatalf("%d images", len(got))
			}
			for i, img := range got {
				for _, d := range differences(plain[0], img, all, used) {
					t.Errorf("image %d: %s", i, d)
				}
				if way.name != "batched" && lookMajor(t) == 9 && slices.ContainsFunc(img["stack"], func(f string) bool { return strings.Contains(f, "AssayHarness") }) {
					t.Errorf("image %d: the harness is seen in the stack: %q", i, img["stack"])
				}
			}
		})
	}
	for _, k := range all {
		if !used[k] {
			t.Errorf("%s %s is seen nowhere", k.kind, k.pattern)
		}
	}
}

// images reads what was written and takes it away.
func images(t *testing.T, file string) (out []image) {
	t.Helper()
	b, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Remove(file); err != nil {
		t.Fatal(err)
	}
	for line := range bytes.Lines(b) {
		var img image
		if err := json.Unmarshal(line, &img); err != nil {
			t.Fatal(err)
		}
		out = append(out, img)
	}
	return out
}

// differences says what of an image is in another and not in this, and the other way.
func differences(plain, got image, all []known, used map[known]bool) (out []string) {
	var kinds []string
	for kind := range plain {
		kinds = append(kinds, kind)
	}
	slices.Sort(kinds)
	for _, kind := range kinds {
		for _, line := range lacking(got[kind], plain[kind]) {
			out = append(out, kind+" - "+line)
		}
		for _, line := range lacking(plain[kind], got[kind]) {
			out = append(out, kind+" + "+line)
		}
	}
	return slices.DeleteFunc(out, func(d string) bool {
		for _, k := range all {
			if rest, ok := strings.CutPrefix(d, k.kind+" "); ok && regexp.MustCompile("^"+k.pattern+"$").MatchString(rest) {
				used[k] = true
				return true
			}
		}
		return false
	})
}

// lacking gives the lines of a list that another does not have as often.
func lacking(in, list []string) (out []string) {
	count := map[string]int{}
	for _, line := range in {
		count[line]++
	}
	for _, line := range list {
		if count[line]--; count[line] < 0 {
			out = append(out, line)
		}
	}
	return out
}
