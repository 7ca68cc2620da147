package operators

import (
	"strings"
	"testing"

	"assay/mutate"
	"assay/mutate/syntax"
)

// TestQuiet marks the node that begins at the "#" in each line. That nobody
// tests logs and messages is common practice, no source; the method names are
// those of PSR-3, LoggerInterface.
func TestQuiet(t *testing.T) {
	for _, c := range []struct {
		code string
		want bool
	}{
		{`#$logger->info("a");`, true},
		{`$logger->info(#$a + 1);`, true},
		{`$this->logger->warning('late', ['by' => #$a * 2]);`, true},
		{`$this->auditLog?->error(#'x');`, true},
		{`$this->getLogger()->log('debug', #'x');`, true},
		{`self::$logger->debug(#'x');`, true},
		{`Log::info(#'x');`, true},
		{`\Acme\Logger::alert(#'x');`, true},
		{`$x = $log->error(#'x') ?? 1;`, true},
		{`error_log(#'x');`, true},
		{`\Error_Log(#'x');`, true},
		{`@trigger_error(#'x', E_USER_NOTICE);`, true},
		{`#@trigger_error('x', E_USER_NOTICE);`, true},
		{`assert(#$a > 1);`, true},
		{`$stopwatch->lap(#'x');`, true},
		{`throw new LogicException(#'x');`, true},
		{`throw new \Acme\TideException("x" . #$a);`, true},
		{`throw new TideException(sprintf('%d', #$a + 1), 4);`, true},
		{`throw new TideException(message: #'x');`, true},
		{`throw TideException::because(#'x');`, true},
		{`throw new Stranded(#'x' . $a);`, true},
		{`throw (Stranded::at(#'x'));`, true},
		{`class TideException { function __construct() { parent::__construct(#'x', 4); } }`, true},
		{`class Stranded extends \RuntimeException { function __construct() { parent::__construct(#'x'); } }`, true},
		{`throw new TideException($a ? #'x' : 'y');`, true},
		{`if (#$debug) { $logger->debug('x'); }`, true},
		{`if (#$debug && $a > 1) error_log('x');`, true},

		{`#if ($debug) { $logger->debug('x'); }`, true},
		{`$start = microtime(#true);`, true},
		{`if (#PHP_VERSION_ID >= 80200) { $a = 1; }`, true},
		{`if (PHP_VERSION_ID >= #80200) { $a = 1; }`, true},
		{`if (#!\function_exists('mb_trim')) { $a = 1; }`, true},
		{`#if (version_compare(PHP_VERSION, '8.2', '<')) { $a = 1; }`, true},
		{`$x = #PHP_OS_FAMILY === 'Windows' ? 1 : 2;`, true},
		{`$x = #stripos(PHP_OS, 'WIN') === 0;`, true},
		{`$x = [1, #2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13];`, true},

		{`#if ($debug) { $a = 1; }`, false},
		{`#if (version_compare($given, '8.2', '<')) { $a = 1; }`, false},
		{`$x = [#1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13];`, false},
		{`$x = [1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, #13];`, false},
		{`$x = [1, #2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12];`, false},
		{`$x = [1, $a + #2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13];`, false},
		{`$dialog->alert(#'x');`, false},
		{`$blog->notice(#'x');`, false},
		{`$catalog->info(#'x');`, false},
		{`$logger->close(#'x');`, false},
		{`$logger->info('x') . #'y';`, false},
		{`$math->log(#2);`, false},
		{`log(#2);`, false},
		{`$f = function () { return #1; };`, false},
		{`$logger->debug((function () { return #1; })());`, false},
		{`throw new TideException('x', #404);`, false},
		{`throw new TideException(#$tide + 1);`, false},
		{`$e = new Tide(#'x');`, false},
		{`throw new Stranded(new Tide(#'x'));`, false},
		{`class Stranded extends Ship { function __construct() { parent::__construct(#'x'); } }`, false},
		{`class TideException { function __construct() { parent::__construct('x', #4); } }`, false},
		{`throw #new TideException('x');`, false},
		{`if (#$debug) { $logger->debug('x'); $a = 1; }`, false},
		{`if (#$debug) { $logger->debug('x'); } else { $a = 1; }`, false},
		{`if (#$debug) { }`, false},
		{`while (#$debug) { $logger->debug('x'); }`, false},
	} {
		at := strings.IndexByte(c.code, '#')
		const open = "<?php "
		f, err := syntax.Parse("quiet", []byte(open+strings.Replace(c.code, "#", "", 1)))
		if err != nil || len(f.Damage) > 0 {
			t.Fatalf("%s: %v %v", c.code, err, f.Damage)
		}
		n := f.At(len(open) + at)
		for n.Parent != nil && n.Parent.Start == n.Start && n.Parent.Kind != "program" {
			n = n.Parent
		}
		if got := quiet(f, n); got != c.want {
			t.Errorf("quiet(%s at #) = %v", c.code, got)
		}
	}
}

func TestWords(t *testing.T) {
	for in, want := range map[string]string{
		"logger": "logger", "auditLog": "audit log", "audit_log": "audit log", "HTTPLog": "http log",
		"dialog": "dialog", "Log": "log", "LOG": "log", "": "", "_log_": "log",
	} {
		if got := strings.Join(words(in), " "); got != want {
			t.Errorf("words(%q) = %q, want %q", in, got, want)
		}
	}
}

// TestCoreLeavesQuietPlacesAlone holds for every operator: what is quiet is
// changed in the breadth wide only.
func TestCoreLeavesQuietPlacesAlone(t *testing.T) {
	f, err := syntax.Parse("quiet", []byte(`<?php
function warn(int $a): void { $this->logger->warning('late' . $a, ['by' => $a + 1, 'flag' => true]); }`))
	if err != nil {
		t.Fatal(err)
	}
	count := func(breadth string) (n int) {
		ops, err := Breadth(breadth)
		if err != nil {
			t.Fatal(err)
		}
		for _, op := range ops {
			n += len(mutate.EditsOf(f, op))
		}
		return n
	}
	if core, wide := count("core"), count("wide"); core != 0 || wide == 0 {
		t.Errorf("core makes %d mutants of a call that logs, want 0; wide makes %d, want some", core, wide)
	}
}
