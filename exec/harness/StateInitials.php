<?php

declare(strict_types=1);

namespace PHPUnit\AssayHarness;

/**
 * What the static variables of functions are in the beginning, as their source says.
 * PHP itself does not tell any more once the function has run. Only literals are
 * told: numbers, strings, true, false, null, and arrays of these.
 */
final class StateInitials
{
    private const LITERAL = [\T_LNUMBER => true, \T_DNUMBER => true, \T_CONSTANT_ENCAPSED_STRING => true, \T_ARRAY => true, \T_DOUBLE_ARROW => true,
        \T_WHITESPACE => true, \T_COMMENT => true, \T_DOC_COMMENT => true];
    private const SIGNS = ['[' => true, ']' => true, '(' => true, ')' => true, ',' => true, '-' => true, '+' => true];
    private const IGNORED = [\T_WHITESPACE => true, \T_COMMENT => true, \T_DOC_COMMENT => true];

    /** @return string|false the text of a file of the project; that it was opened here is noted */
    public static function textOf(string $file)
    {
        self::looked($file);

        return @\file_get_contents($file);
    }

    /**
     * Notes a file that the harness has read as text; without one, gives those since the last time, each
     * as often as it was read. They are in no static property, which PHPUnit may put back.
     *
     * @return list<string>
     */
    public static function looked(?string $file = null): array
    {
        static $files = [];
        if ($file !== null) {
            $files[] = $file;

            return [];
        }
        [$told, $files] = [$files, []];

        return $told;
    }

    /** @var array<string, array<int, list<array{string, array<string, mixed>}>>> file => line of the end of a function => its name and variables */
    private array $files = [];

    /** @return array<string, mixed> variable => its first value */
    public function of(\ReflectionFunctionAbstract $function): array
    {
        $file = (string) $function->getFileName();
        if (!isset($this->files[$file])) {
            $text = \function_exists('token_get_all') && \is_file($file) ? self::textOf($file) : false;
            $this->files[$file] = $text === false ? [] : $this->read($text);
        }
        $there = $this->files[$file][$function->getEndLine()] ?? [];
        if (\count($there) > 1) {
            $name = \strtolower($function->getShortName());
            $there = \array_values(\array_filter($there, static function (array $one) use ($name): bool {
                return $one[0] === $name;
            }));
        }

        return \count($there) === 1 ? $there[0][1] : [];
    }

    /** @return array<int, list<array{string, array<string, mixed>}>> */
    private function read(string $text): array
    {
        $found = [];
        $scopes = []; // kind of what a brace has opened, name of a function, its variables
        $next = ['block', '', []];
        $tokens = \token_get_all($text);
        $line = 1;
        for ($i = 0, $n = \count($tokens), $before = null; $i < $n; ++$i) {
            [$id, $code] = \is_array($tokens[$i]) ? $tokens[$i] : [$tokens[$i], $tokens[$i]];
            if (\is_int($id)) {
                $line = $tokens[$i][2] + \substr_count($code, "\n");
            }
            if (isset(self::IGNORED[$id])) {
                continue;
            }
            if ($id === \T_FUNCTION && $before !== \T_USE) {
                $next = ['function', $this->nameAfter($tokens, $i), []];
            } elseif (($id === \T_CLASS && $before !== \T_DOUBLE_COLON) || $id === \T_TRAIT || $id === \T_INTERFACE || \defined('T_ENUM') && $id === \T_ENUM) {
                $next = ['class', '', []];
            } elseif ($id === '{' || $id === \T_CURLY_OPEN || $id === \T_DOLLAR_OPEN_CURLY_BRACES) {
                $scopes[] = $next;
                $next = ['block', '', []];
            } elseif ($id === ';') {
                $next = ['block', '', []];
            } elseif ($id === '}') {
                $scope = \array_pop($scopes);
                if ($scope !== null && $scope[0] === 'function') {
                    $found[$line][] = [$scope[1], $scope[2]];
                }
            } elseif ($id === \T_STATIC && ($in = self::functionOf($scopes)) !== null) {
                $scopes[$in][2] = $this->variablesAfter($tokens, $i) + $scopes[$in][2];
            }
            $before = $id;
        }

        return $found;
    }

    /** @param list<array{string, string, array<string, mixed>}> $scopes */
    private static function functionOf(array $scopes): ?int
    {
        for ($i = \count($scopes) - 1; $i >= 0; --$i) {
            if ($scopes[$i][0] !== 'block') {
                return $scopes[$i][0] === 'function' ? $i : null;
            }
        }

        return null;
    }

    /** The name of the function whose keyword is at a place; empty for a closure. */
    private function nameAfter(array $tokens, int $at): string
    {
        for (++$at; isset($tokens[$at]); ++$at) {
            if ($tokens[$at] === '(') {
                return '';
            }
            $code = \is_array($tokens[$at]) ? $tokens[$at][1] : $tokens[$at];
            if ($code !== '&' && !isset(self::IGNORED[$tokens[$at][0]])) {
                return \strtolower($code);
            }
        }

        return '';
    }

    /**
     * The variables that a static statement declares, if there is one at a place:
     * those whose first value is a literal.
     *
     * @return array<string, mixed>
     */
    private function variablesAfter(array $tokens, int $at): array
    {
        $variables = [];
        do {
            for (++$at; isset(self::IGNORED[$tokens[$at][0] ?? '']); ++$at);
            if (($tokens[$at][0] ?? '') !== \T_VARIABLE) {
                return $variables;
            }
            $name = \substr($tokens[$at][1], 1);
            $literal = true;
            $depth = 0;
            $value = '';
            for (++$at; isset($tokens[$at]); ++$at) {
                $token = $tokens[$at];
                if ($depth === 0 && ($token === ',' || $token === ';' || $token[0] === \T_CLOSE_TAG)) {
                    break;
                }
                $depth += (int) \in_array($token, ['[', '(', '{'], true) - (int) \in_array($token, [']', ')', '}'], true);
                if ($token === '=' && $value === '') {
                    continue;
                }
                $literal = $literal && self::isLiteral($token);
                $value .= isset(self::IGNORED[$token[0]]) ? '' : (\is_array($token) ? $token[1] : $token);
            }
            if ($literal) {
                try {
                    $variables[$name] = $value === '' ? null : eval("return {$value};");
                } catch (\Throwable $t) {
                    unset($variables[$name]);
                }
            }
        } while (($tokens[$at] ?? '') === ',');

        return $variables;
    }

    /** @param array{int, string, int}|string $token */
    private static function isLiteral($token): bool
    {
        if (!\is_array($token)) {
            return isset(self::SIGNS[$token]);
        }

        return isset(self::LITERAL[$token[0]]) || $token[0] === \T_STRING && \in_array(\strtolower($token[1]), ['null', 'true', 'false'], true);
    }
}
