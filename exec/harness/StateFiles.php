<?php

declare(strict_types=1);

namespace PHPUnit\AssayHarness;

/** Whose a file is, and names that are the same in each process. */
final class StateFiles
{
    private const COMPOSERS = ['ClassLoader.php' => true, 'InstalledVersions.php' => true, 'autoload_real.php' => true, 'autoload_static.php' => true];

    /** The root's path, with a slash at its end and without; and how long a text is at least that has it. */
    private string $root;
    private string $bare;
    private int $least;
    /** @var list<string> */
    private array $prefixes;
    /** @var array<string, bool> */
    private array $known = [];

    /** @param list<string> $own */
    public function __construct(string $root, array $own)
    {
        $this->bare = \rtrim($root, '/');
        $this->root = "{$this->bare}/";
        $this->least = \max(2, \strlen($this->bare));
        $this->prefixes = $own;
        $this->prefixes[] = __DIR__;
    }

    /** Whether a file is the harness's, PHPUnit's, or of Composer's autoloading; code that such a file evaluates is its own. */
    public function isOwn(string $file): bool
    {
        return $this->known[$file] ?? ($this->known[$file] = $this->look($file));
    }

    private function look(string $file): bool
    {
        foreach ($this->prefixes as $prefix) {
            $n = \strlen($prefix);
            if (\strncmp($file, $prefix, $n) === 0 && ($prefix[$n - 1] === '/' || \strlen($file) === $n || $file[$n] === '/' || $file[$n] === '(')) {
                return true;
            }
        }

        return isset(self::COMPOSERS[\basename($file)]) && \stripos($file, '/composer/') !== false;
    }

    /** A path below the root as told from there. */
    public function relative(string $path): string
    {
        return \strncmp($path, $this->root, \strlen($this->root)) === 0 ? \substr($path, \strlen($this->root)) : $path;
    }

    /**
     * A text in which the root's place does not count: a copy of the project lies elsewhere in
     * each process.
     */
    public function placeless(string $text): string
    {
        return $this->isInside($text) ? \str_replace($this->root, "\0root/", "{$text}/") : $text;
    }

    /** Whether a text may name a place below the root, or the root. */
    public function isInside(string $text): bool
    {
        return \strlen($text) >= $this->least && \strpos($text, $this->bare) !== false;
    }

    /** The name of a class. PHP numbers classes without a name in the order in which they come; here the place tells them. */
    public function nameOf(string $class): string
    {
        $at = \strpos($class, "@anonymous\0");
        if ($at === false) {
            return $class;
        }
        $place = \substr($class, $at + 11);
        $end = \strrpos($place, '$');

        return \substr($class, 0, $at + 10) . ' ' . $this->relative($end === false ? $place : \substr($place, 0, $end));
    }
}
