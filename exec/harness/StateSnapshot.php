<?php

declare(strict_types=1);

namespace PHPUnit\AssayHarness;

require_once __DIR__ . '/StateComparison.php';
require_once __DIR__ . '/StateRoots.php';
require_once __DIR__ . '/StateInitials.php';
require_once __DIR__ . '/StateSettings.php';
require_once __DIR__ . '/StateDigest.php';
require_once __DIR__ . '/StateObjects.php';
require_once __DIR__ . '/StateDocuments.php';
require_once __DIR__ . '/StateResources.php';
require_once __DIR__ . '/StateFiles.php';

/**
 * What of the process's lasting state has changed since it was last asked.
 *
 * State is looked at by its roots: static properties, static variables, globals,
 * constants, and what PHP is set to. A root has a name that people can read, and a
 * digest that is the same in each process in which the same code has done the same:
 * objects count by the order in which they are met, not by their numbers.
 *
 * What cannot be told from a look: functions registered for the shutdown, error
 * handlers below the topmost one and which errors a handler is for, the state of
 * PHP's generators of random numbers, the last error of json, preg and the like, what
 * output buffers hold, what Composer's class loader knows, static variables of
 * property hooks, whether a static variable whose first value is null and made by a
 * call has been made. Of a list of more than 1,000 elements the next free index is not
 * looked at, and of one of more than 256 it is not where the elements are the same.
 *
 * A look runs no code of the program, loads no class, and leaves nothing that the
 * program could see, but for this: when functions with static variables have come, to
 * read their file takes a number that PHP would have given to the next resource; and
 * objects that were looked at count for when PHP collects garbage the next time.
 *
 * Nothing here is kept in static properties: PHPUnit can be told to compare these and
 * to put them back.
 */
final class StateSnapshot
{
    /**
     * Says what is as it was "as declared" from now on: globals, constants and
     * settings are compared with what they are now.
     *
     * @param string       $root the project's root; names and digests tell paths below it from there
     * @param list<string> $own  files and directories whose classes and functions keep what they like
     */
    public static function begin(string $root, array $own): void
    {
        self::comparison(new StateComparison($root, $own));
    }

    /**
     * @return array<string, array{string, string, string}|null> root => digests of its value, of its shape (types, counts of keys, names of
     *                                                           classes) and of its kind, '' for a shape or kind that is as declared; null
     *                                                           where it is as declared again, or gone. Only roots that differ from the last call
     */
    public static function changes(): array
    {
        return self::comparison()->changes();
    }

    /** @param array<string, int> $levels root => what of it counts from now on: 1 its shape, 2 its kind, 3 nothing */
    public static function ignoreValues(array $levels): void
    {
        self::comparison()->ignoreValues($levels);
    }

    /** One root more; it is as declared while it is null. */
    public static function addRoot(string $name, callable $get): void
    {
        self::comparison()->addRoot($name, $get);
    }

    /**
     * One root more: some objects. One that nobody holds any more counts as it was when it
     * was last seen, since nobody can tell the difference.
     *
     * @param list<\WeakReference> $objects
     */
    public static function addObjects(string $name, array $objects): void
    {
        self::comparison()->addObjects($name, $objects);
    }

    /** @return array<string, string> roots whose digest cannot tell all, as of the last call => what hides something */
    public static function unknowns(): array
    {
        return self::comparison()->unknowns();
    }

    /** Whether classes or functions have been made, by eval(), between the last two calls of changes(). */
    public static function hasMade(): bool
    {
        return self::comparison()->hasMade();
    }

    /** @return list<string> all roots that there are */
    public static function names(): array
    {
        return self::comparison()->names();
    }

    /**
     * The digest of a value that is no root's.
     *
     * @param mixed $value
     */
    public static function digestOf($value): string
    {
        return self::comparison()->digestOf($value);
    }

    /**
     * The digests of many values that are no roots'.
     *
     * @param array<mixed> $values
     * @return array<string> by the same keys
     */
    public static function digestsOf(array $values): array
    {
        return self::comparison()->digestsOf($values);
    }

    private static function comparison(?StateComparison $new = null): StateComparison
    {
        static $comparison = null;
        $comparison = $new ?? $comparison;
        if ($comparison === null) {
            throw new \LogicException('StateSnapshot::begin() comes first.');
        }

        return $comparison;
    }
}
