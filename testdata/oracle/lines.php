<?php

declare(strict_types=1);

// Which lines does each test run, as pcov says? For PHPUnit 9.6:
//
//     php -d pcov.enabled=1 -d pcov.directory=ROOT -d auto_prepend_file=lines.php \
//         phpunit --extensions AssayOracleLines
//
// with ORACLE_LINES naming the file to write: one JSON value a line,
// [test, {file: [line, ...]}, marked], in the order of the run. Lines that run
// between tests (data providers, setUpBeforeClass) are left out. marked says
// whether the test called oracle_mark(), which somebody may have put into the
// code by hand.

$oracleMarked = false;

/** null, so that `oracle_mark() ?? $x` is $x. */
function oracle_mark()
{
    $GLOBALS['oracleMarked'] = true;

    return null;
}

spl_autoload_register(static function (string $class): void {
    if ($class !== 'AssayOracleLines') {
        return;
    }

    final class AssayOracleLines implements PHPUnit\Runner\BeforeTestHook, PHPUnit\Runner\AfterTestHook
    {
        /** @var resource */
        private $out;
        private int $owner;

        public function __construct()
        {
            $this->out = fopen(getenv('ORACLE_LINES'), 'ab');
            $this->owner = getmypid();
        }

        public function executeBeforeTest(string $test): void
        {
            $GLOBALS['oracleMarked'] = false;
            \pcov\clear();
            \pcov\start();
        }

        public function executeAfterTest(string $test, float $time): void
        {
            \pcov\stop();
            $marked = $GLOBALS['oracleMarked'] ?? false;
            $lines = [];
            foreach (\pcov\collect(\pcov\all) as $file => $counts) {
                $run = array_keys(array_filter($counts, static fn (int $count): bool => $count > 0));
                if ($run !== []) {
                    $lines[$file] = $run;
                }
            }
            \pcov\clear();
            if (getmypid() === $this->owner) {
                fwrite($this->out, json_encode([self::name(), (object) $lines, $marked], JSON_THROW_ON_ERROR) . "\n");
            }
        }

        /** "Class::method#row": the hook is told less exactly than whoever calls it. */
        private static function name(): string
        {
            foreach (debug_backtrace() as $frame) {
                $test = $frame['args'][0] ?? null;
                if ($test instanceof PHPUnit\Framework\TestCase && $frame['function'] === 'endTest') {
                    return self::text(get_class($test)) . '::' . self::text($test->getName(false)) . ($test->usesDataProvider() ? '#' . self::text((string) $test->dataName()) : '');
                }
            }

            return '';
        }

        /** As README says of names that are not UTF-8. */
        private static function text(string $name): string
        {
            if (mb_check_encoding($name, 'UTF-8') && !str_starts_with($name, 'b"')) {
                return $name;
            }
            $in = static fn (array $m): string => sprintf('\x%02X', ord($m[0]));

            return 'b"' . preg_replace_callback('/[^ -~]/', $in, preg_replace('/[$"\\\\]/', '\\\\$0', $name)) . '"';
        }
    }
});
