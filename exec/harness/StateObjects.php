<?php

declare(strict_types=1);

namespace PHPUnit\AssayHarness;

/**
 * What objects hold. A cast to an array shows it for classes of the program; those
 * of PHP's own that hide it are asked by their own methods, never by one that the
 * program has put in its place.
 */
final class StateObjects
{
    /** How each of PHP's own classes is looked at, and what extends it; where a cast does not show all. */
    private const VIEWS = [
        'ArrayObject' => 'serial', 'ArrayIterator' => 'iterator', 'RecursiveArrayIterator' => 'iterator', 'SplObjectStorage' => 'iterator',
        'SplDoublyLinkedList' => 'iterator', 'SplQueue' => 'iterator', 'SplStack' => 'iterator', 'SplFixedArray' => 'fixed',
        'SplMinHeap' => 'debug', 'SplMaxHeap' => 'debug', 'SplHeap' => 'debug', 'SplPriorityQueue' => 'debug', 'SplFileInfo' => 'debug',
        'WeakReference' => 'referent', 'WeakMap' => 'weakMap', 'Generator' => 'generator', 'SimpleXMLElement' => 'simpleXml', 'PDO' => 'pdo',
        'Pdo\Sqlite' => 'pdo', 'HashContext' => 'hash', 'OpenSSLAsymmetricKey' => 'key', 'OpenSSLCertificate' => 'certificate',
        'SensitiveParameterValue' => 'sensitive', 'Random\Engine\Mt19937' => 'serial', 'Random\Engine\PcgOneseq128XslRr64' => 'serial',
        'Random\Engine\Xoshiro256StarStar' => 'serial', 'ReflectionParameter' => 'parameter', 'ReflectionNamedType' => 'type',
        'DateTime' => 'cast', 'DateTimeImmutable' => 'cast', 'DateTimeZone' => 'cast', 'DateInterval' => 'cast', 'DatePeriod' => 'cast',
    ];
    /** A cast shows all that these hold. */
    private const PLAIN = ['stdClass', '__PHP_Incomplete_Class', 'php_user_filter', 'Directory', 'LibXMLError', 'PhpToken', 'Attribute',
        'AllowDynamicProperties', 'SensitiveParameter', 'ReturnTypeWillChange', 'Override', 'EmptyIterator', 'SessionHandler', 'CURLFile',
        'CURLStringFile', 'Random\Randomizer', 'Random\Engine\Secure', 'BcMath\Number', 'ReflectionClass', 'ReflectionObject', 'ReflectionEnum',
        'ReflectionMethod', 'ReflectionProperty', 'ReflectionClassConstant', 'ReflectionEnumUnitCase', 'ReflectionEnumBackedCase',
        'ReflectionExtension', 'Transliterator'];
    private const MOCKS = ['PHPUnit\Framework\MockObject\Stub', 'PHPUnit\Framework\MockObject\MockObject'];

    /** What the last view does not show. */
    public ?string $hidden = null;

    private StateFiles $files;
    private StateDocuments $documents;
    /** @var array<string, \ReflectionMethod> */
    private array $methods = [];
    /** @var array<string, \ReflectionClass> */
    private array $classes = [];

    public function __construct(StateFiles $files)
    {
        $this->files = $files;
        $this->documents = new StateDocuments($this, $files);
    }

    /** Mocks have names made at random. */
    public function nameOf(\ReflectionClass $class): string
    {
        if (!$this->isMock($class)) {
            return $this->files->nameOf($class->getName());
        }
        $parent = $class->getParentClass();
        $of = $parent === false ? $class->getInterfaceNames() : [$parent->getName()];

        return 'mock of ' . \implode(', ', \array_map([$this->files, 'nameOf'], \array_diff($of, self::MOCKS)));
    }

    private function isMock(\ReflectionClass $class): bool
    {
        return (\in_array(self::MOCKS[0], $class->getInterfaceNames(), true) || \in_array(self::MOCKS[1], $class->getInterfaceNames(), true))
            && $this->files->isOwn((string) $class->getFileName());
    }

    /**
     * How objects of a class are to be looked at.
     *
     * @return array{string, array<string, true>|null} the kind: own (not at all), enum, plain (by a cast) or a view of this
     *                                                 class; the properties that do not count, as a cast names them
     */
    public function planFor(\ReflectionClass $class): array
    {
        if (\PHP_VERSION_ID >= 80100 && $class->isEnum()) {
            return ['enum', null];
        }
        if ($class->getName() === \Closure::class) {
            return ['closure', null];
        }
        if ($class->isUserDefined() && $this->files->isOwn((string) $class->getFileName()) && !$this->isMock($class)
            && !self::isOfMocks($class->getName())) {
            return ['own', null];
        }
        for ($skipped = [], $base = $class; $base !== false && $base->isUserDefined(); $base = $base->getParentClass()) {
            if ($base->getName() !== $class->getName() && $this->files->isOwn((string) $base->getFileName())) {
                $skipped += self::propertiesOf($base);
            }
        }

        return [$base === false ? 'plain' : self::viewOf($base), $skipped === [] ? null : $skipped];
    }

    /** Of PHPUnit's classes these are opened: mocks hold their expectations by them. */
    private static function isOfMocks(string $class): bool
    {
        return \strncmp($class, 'PHPUnit\Framework\MockObject\\', 29) === 0 || \strncmp($class, 'PHPUnit\Framework\Constraint\\', 29) === 0;
    }

    /** How objects of one of PHP's own classes are looked at. */
    private static function viewOf(\ReflectionClass $class): string
    {
        $name = $class->getName();
        if (\in_array($name, self::PLAIN, true)) {
            return 'plain';
        }
        if ($class->implementsInterface(\Throwable::class)) {
            return 'throwable';
        }
        if ($name === 'DOMNode' || $class->isSubclassOf('DOMNode')) {
            return 'dom';
        }

        return self::VIEWS[$name] ?? 'concealed';
    }

    /** @return array<string, true> */
    private static function propertiesOf(\ReflectionClass $class): array
    {
        $names = [];
        foreach ($class->getProperties() as $property) {
            if ($property->class === $class->getName() && !$property->isStatic()) {
                $names[($property->isPrivate() ? "\0{$property->class}\0" : ($property->isProtected() ? "\0*\0" : '')) . $property->name] = true;
            }
        }

        return $names;
    }

    /** @return array<mixed> */
    public function view(string $kind, object $value): array
    {
        $this->hidden = null;
        try {
            return $this->documents->knows($kind) ? $this->documents->view($kind, $value) : $this->{$kind}($value);
        } catch (\Throwable $t) {
            $this->hidden = \get_class($value);

            return [];
        }
    }

    /**
     * Calls a method of PHP's own class, whatever the program has put in its place.
     *
     * @return mixed
     */
    public function native(string $class, string $method, object $value, ...$arguments)
    {
        $call = $this->methods["{$class}::{$method}"] ?? ($this->methods["{$class}::{$method}"] = new \ReflectionMethod($class, $method));

        return $call->invoke($value, ...$arguments);
    }

    /** The class of PHP's own that a class comes from. */
    public static function ancestor(object $value): string
    {
        for ($class = new \ReflectionClass($value); $class->isUserDefined(); $class = $class->getParentClass());

        return $class->getName();
    }

    public function isLazy(object $value): bool
    {
        $class = $this->classes[\get_class($value)] ?? ($this->classes[\get_class($value)] = new \ReflectionClass($value));

        return $class->isUninitializedLazyObject($value);
    }

    /** @return array<mixed> */
    public function lazy(object $value): array
    {
        return ['lazy', $this->classes[\get_class($value)]->getLazyInitializer($value), \get_mangled_object_vars($value)];
    }

    private function concealed(object $value): array
    {
        $this->hidden = self::ancestor($value);

        return \get_mangled_object_vars($value);
    }

    private function cast(object $value): array
    {
        return (array) $value;
    }

    private function throwable(object $value): array
    {
        $vars = (array) $value;
        foreach (['Exception', 'Error'] as $class) {
            unset($vars["\0{$class}\0trace"], $vars["\0{$class}\0string"]);
        }
        $vars["\0*\0file"] = $this->files->relative((string) ($vars["\0*\0file"] ?? ''));

        return $vars;
    }

    private function closure(\Closure $value): array
    {
        $function = new \ReflectionFunction($value);
        $file = (string) $function->getFileName();
        $view = [$this->files->relative($file), $function->getStartLine(), $function->getEndLine(), $function->getNumberOfParameters()];
        if (\strpos($function->getName(), '{closure') === false) {
            $view[] = $function->getName();
        }
        $scope = $function->getClosureScopeClass();
        $view[] = $scope === null ? null : $this->nameOf($scope);
        if (\method_exists($function, 'getClosureCalledClass') && ($called = $function->getClosureCalledClass()) !== null) {
            $view[] = $this->nameOf($called);
        }
        if ($file !== '' && $this->files->isOwn($file)) {
            return $view;
        }
        $view[] = $function->getClosureThis();
        try {
            $view[] = $function->getStaticVariables();
        } catch (\Throwable $t) {
            $view[] = 'not to be had yet';
        }

        return $view;
    }

    private function serial(object $value): array
    {
        return $this->native(self::ancestor($value), '__serialize', $value);
    }

    private function iterator(object $value): array
    {
        $class = self::ancestor($value);

        return [$this->native($class, 'key', $value), $this->native($class, '__serialize', $value)];
    }

    private function fixed(object $value): array
    {
        return [$this->native('SplFixedArray', 'toArray', $value), \get_mangled_object_vars($value)];
    }

    private function debug(object $value): array
    {
        return $this->native(self::ancestor($value), '__debugInfo', $value);
    }

    private function referent(\WeakReference $value): array
    {
        return [$value->get()];
    }

    private function weakMap(object $value): array
    {
        $pairs = [];
        foreach ($value as $key => $inner) {
            $pairs[] = [$key, $inner];
        }

        return $pairs;
    }

    /** A generator that has come to its end does nothing any more. */
    private function generator(\Generator $value): array
    {
        try {
            $inside = new \ReflectionGenerator($value);
            $ended = \method_exists($inside, 'isClosed') && $inside->isClosed();
        } catch (\ReflectionException $e) {
            $ended = true;
        }
        if ($ended) {
            try {
                return ['ended', $value->getReturn()];
            } catch (\Throwable $t) {
                return ['broken off'];
            }
        }
        $this->hidden = \Generator::class;

        return [];
    }

    private function hash(object $value): array
    {
        return [\hash_final(\hash_copy($value))];
    }

    private function key(object $value): array
    {
        return \openssl_pkey_get_details($value);
    }

    private function certificate(object $value): array
    {
        \openssl_x509_export($value, $text);

        return [$text];
    }

    private function sensitive(object $value): array
    {
        return [$this->native('SensitiveParameterValue', 'getValue', $value)];
    }

    private function parameter(\ReflectionParameter $value): array
    {
        $function = $this->native('ReflectionParameter', 'getDeclaringFunction', $value);

        return (array) $value + ['of' => (array) $function, 'at' => $this->native('ReflectionParameter', 'getPosition', $value)];
    }

    private function type(\ReflectionNamedType $value): array
    {
        return [$this->native('ReflectionNamedType', 'getName', $value), $this->native('ReflectionType', 'allowsNull', $value)];
    }
}
