package exec

import (
	"os"
	osexec "os/exec"
	"regexp"
	"strconv"
	"testing"
)

// lookPHP and lookPHPUnit find the tools that .ci/run installs; ASSAY_PHP and
// ASSAY_PHPUNIT name others. Without them there is nothing to test, and no
// green to be had by skipping.
func lookPHP(t testing.TB) string     { return look(t, "php", "ASSAY_PHP") }
func lookPHPUnit(t testing.TB) string { return look(t, "phpunit", "ASSAY_PHPUNIT") }

var major int

// lookMajor is the major version of the PHPUnit that is tested with.
func lookMajor(t testing.TB) int {
	t.Helper()
	if major > 0 {
		return major
	}
	out, err := osexec.Command(lookPHP(t), lookPHPUnit(t), "--version").Output()
	version := regexp.MustCompile(`PHPUnit (\d+)\.`).FindSubmatch(out)
	if version == nil {
		t.Fatalf("%s --version: %v: %s", lookPHPUnit(t), err, out)
	}
	major, _ = strconv.Atoi(string(version[1]))
	return major
}

func look(t testing.TB, name, variable string) string {
	t.Helper()
	if path := os.Getenv(variable); path != "" {
		return path
	}
	path, err := osexec.LookPath(name)
	if err != nil {
		t.Fatalf("%v; .ci/run installs it", err)
	}
	return path
}
