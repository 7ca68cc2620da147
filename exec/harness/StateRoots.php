<?php

declare(strict_types=1);

namespace PHPUnit\AssayHarness;

/** Finds what the program keeps state in, and reads it. */
final class StateRoots
{
    /** @var array<string, mixed> root => what it holds as long as nobody has written to it; where that is known */
    public array $declared = ['global _GET' => [], 'global _POST' => [], 'global _COOKIE' => [], 'global _FILES' => [], 'global _REQUEST' => []];

    private StateFiles $files;
    private StateInitials $initials;
    /** @var array<string, \ReflectionProperty> */
    private array $properties = [];
    /** @var array<string, \ReflectionProperty> those that have a type, and no value yet */
    private array $uninitialized = [];
    /** @var list<array{\ReflectionFunctionAbstract, array<string, string>}> functions, with the roots that their variables are */
    private array $functions = [];
    /** @var array<string, \ReflectionClass> classes whose constants cannot be had before another class or constant is there */
    private array $waitingClasses = [];
    /** @var array<string, \ReflectionFunctionAbstract> */
    private array $waitingFunctions = [];
    /** @var array<string, true> */
    private array $seenClasses = [];
    /** @var array<string, true> */
    private array $seenFunctions = [];
    /** @var array{int, int, int, int} how many classes, traits, functions and constants there were at the last look */
    private array $counts = [0, 0, 0, 0];
    /** @var array<string, mixed> */
    private array $constants = [];
    /** @var array<string, true> names of roots that are given away */
    private array $taken = [];
    /** @var array<string, string> classes and functions of which eval() was given the code, since the look before the last => that */
    private array $made = [];
    /** @var array<string, array<string, mixed>> superglobals of which only the difference from the beginning counts */
    private array $started = [];

    public function __construct(StateFiles $files)
    {
        $this->files = $files;
        $this->initials = new StateInitials();
    }

    public function begin(): void
    {
        $this->started = ['_SERVER' => $_SERVER, '_ENV' => $_ENV];
        $this->lookForConstants(\count(\get_defined_constants()));
    }

    /** Looks for what was loaded since the last call. */
    public function look(): void
    {
        $this->made = [];
        $classes = \get_declared_classes();
        $traits = \get_declared_traits();
        $functions = \get_defined_functions()['user'];
        $counts = [\count($classes), \count($traits), \count($functions), \count(\get_defined_constants())];
        if ($counts === $this->counts) {
            return;
        }
        if ($counts[3] !== $this->counts[3]) {
            $this->lookForConstants($counts[3]);
        }
        $this->counts = $counts;
        foreach ([$classes, $traits] as $names) {
            foreach ($names as $name) {
                if (!isset($this->seenClasses[$name])) {
                    $this->seenClasses[$name] = true;
                    $this->addClass(new \ReflectionClass($name));
                }
            }
        }
        foreach ($functions as $name) {
            if (!isset($this->seenFunctions[$name])) {
                $this->seenFunctions[$name] = true;
                $this->waitingFunctions["{$name}()"] = new \ReflectionFunction($name);
                $this->noteMade("function {$name}()", (string) $this->waitingFunctions["{$name}()"]->getFileName());
            }
        }
        foreach ($this->waitingClasses as $class) {
            $this->addProperties($class);
        }
        foreach ($this->waitingFunctions as $name => $function) {
            $this->addVariables($name, $function);
        }
    }

    private function lookForConstants(int $count): void
    {
        $this->counts[3] = $count;
        $this->constants = [];
        foreach (\get_defined_constants(true)['user'] ?? [] as $name => $value) {
            $this->constants["constant {$name}"] = $value;
        }
    }

    private function addClass(\ReflectionClass $class): void
    {
        $name = $class->getName();
        if (!$class->isUserDefined() || $this->files->isOwn((string) $class->getFileName())) {
            return;
        }
        $this->noteMade("class {$this->files->nameOf($name)}", (string) $class->getFileName());
        $this->seenClasses[$name] = true; // the name may have been another one for the class
        $this->waitingClasses[$name] = $class;
        foreach ($class->getMethods() as $method) {
            // Before PHP 8.1 a class had variables of its own for the methods that it inherits.
            if (($method->class === $name || \PHP_VERSION_ID < 80100) && $method->isUserDefined()) {
                $this->waitingFunctions["{$name}::{$method->name}()"] = $method;
            }
        }
    }

    /** Code that eval() was given may be another with a mutant, and is no value that could be compared. */
    private function noteMade(string $what, string $file): void
    {
        if (\substr($file, -13) === "eval()'d code" && !$this->files->isOwn($file)) {
            $this->made[$what] = 'code that is made while tests run';
        }
    }

    /** @return array<string, string> what has been made since the look before the last => why that is not known */
    public function made(): array
    {
        return $this->made;
    }

    /**
     * Adds the static properties of a class. To read one has PHP compute the constants
     * of the class. Where that takes a class or a constant that is not there yet,
     * nobody can have written to the properties.
     */
    private function addProperties(\ReflectionClass $class): void
    {
        $properties = $declared = $uninitialized = [];
        try {
            foreach ($class->getProperties(\ReflectionProperty::IS_STATIC) as $property) {
                if ($property->class !== $class->getName()) {
                    continue;
                }
                $property->setAccessible(true);
                $name = $property->name;
                $hasDefault = !$property->hasType() || \PHP_VERSION_ID >= 80000 && $property->hasDefaultValue();
                if ($property->isInitialized()) {
                    $property->getValue();
                    $properties[$name] = $property;
                } else {
                    $uninitialized[$name] = $property;
                }
                if ($hasDefault && \PHP_VERSION_ID >= 80100) { // before that the default of a static property is what it holds
                    $declared[$name] = $property->getDefaultValue();
                }
            }
        } catch (\Throwable $t) {
            return;
        }
        unset($this->waitingClasses[$class->getName()]);
        foreach ($properties + $uninitialized as $variable => $property) {
            $name = $this->free("{$this->files->nameOf($class->getName())}::\${$variable}");
            if (isset($properties[$variable])) {
                $this->properties[$name] = $property;
            } else {
                $this->uninitialized[$name] = $property;
            }
            if (\array_key_exists($variable, $declared)) {
                $this->declared[$name] = $declared[$variable];
            }
        }
    }

    private function addVariables(string $name, \ReflectionFunctionAbstract $function): void
    {
        try {
            $variables = $function->getStaticVariables();
        } catch (\Throwable $t) {
            return; // the first value cannot be had yet, and so the function has not been called
        }
        unset($this->waitingFunctions[$name]);
        if ($variables === [] || $this->files->isOwn((string) $function->getFileName())) {
            return;
        }
        $initials = $this->initials->of($function);
        $names = [];
        $in = $function instanceof \ReflectionMethod ? \substr($name, \strrpos($name, '::')) : '';
        $in = $in === '' ? "{$function->getName()}()" : $this->files->nameOf(\substr($name, 0, -\strlen($in))) . $in;
        foreach ($variables as $variable => $value) {
            $names[$variable] = $this->free("static \${$variable} in {$in}");
            if (\array_key_exists($variable, $initials)) {
                $this->declared[$names[$variable]] = $initials[$variable];
            } elseif ($value === null && \PHP_VERSION_ID >= 80300) {
                $this->declared[$names[$variable]] = null; // since then a first value that is not constant is made by the first call
            }
        }
        $this->functions[] = [$function, $names];
    }

    /** Two classes without a name may be declared in one line. */
    private function free(string $name): string
    {
        for ($i = 2, $free = $name; isset($this->taken[$free]); ++$i) {
            $free = "{$name} #{$i}";
        }
        $this->taken[$free] = true;

        return $free;
    }

    /** @return array<string, mixed> */
    public function statics(): array
    {
        foreach ($this->uninitialized as $name => $property) {
            if ($property->isInitialized()) {
                $this->properties[$name] = $property;
                unset($this->uninitialized[$name]);
            }
        }
        $values = [];
        foreach ($this->properties as $name => $property) {
            $values[$name] = $property->getValue();
        }
        foreach ($this->functions as [$function, $names]) {
            foreach ($function->getStaticVariables() as $variable => $value) {
                $values[$names[$variable]] = $value;
            }
        }

        return $values;
    }

    /** @return array<string, mixed> */
    public function constants(): array
    {
        return $this->constants;
    }

    /** @return array<string, mixed> */
    public function globals(): array
    {
        $values = [];
        foreach ($GLOBALS as $name => $value) {
            $name = (string) $name;
            if (isset($this->started[$name]) && \is_array($value)) {
                $value = self::difference($value, $this->started[$name]);
            } elseif ($name === 'GLOBALS' || $name === 'argv' || $name === 'argc' || \strncmp($name, '__PHPUNIT', 9) === 0) {
                continue;
            }
            $values["global {$name}"] = $value;
        }

        return $values;
    }

    /**
     * What _SERVER and _ENV say differs from process to process: times, and the
     * environment.
     */
    private static function difference(array $now, array $then): array
    {
        if ($now === $then) {
            return [];
        }
        $set = [];
        foreach ($now as $key => $value) {
            if (!\array_key_exists($key, $then) || $then[$key] !== $value) {
                $set[$key] = $value;
            }
        }
        $gone = \array_keys(\array_diff_key($then, $now));

        return $set === [] && $gone === [] ? [] : [$set, $gone];
    }
}
