<!doctype html>
<title><?= $title ?? 'Lamps' ?></title>
<?php

declare(strict_types=1);

namespace Harbour\Class_;

use function Harbour\list\sorted;

# A comment, with a ?> <b>and text behind it</b>
<?php // another one, 'with' "quotes"

/** About lamps. */
#[Attribute(flags: 0x1F)]
enum Lamp: string
{
    case Red = 'it\'s red';
    case Green = "green \"and\" $bright {$of["all"]} ${lamps}\\";

    const LIST = [1, 1_000, 0b11, 0o17, .5, 1., 1.5e-3, 1E5, 07, ...[2, 3]];

    public static function for(?int $class, self|null $of = null): static
    {
        $text = <<<"HERE"
            a line with {$of->list['x']} and "quotes"
              HEREAFTER
            HERE . <<<'NOW'
        $no variable
        NOW;
        $this->for /* a comment */ ->class();
        $this?->list
            ->match(`ls {$of}`);
        fn(int ...$all): bool => $all <=> $of && true xor FALSE;
        yield from \Harbour\exit();
        $λ = $this::class . static::class << 3;

        return match (true) {
            $a instanceof Ünter, null => new class {
            },
        };
    }
}
__halt_compiler(); if (this) { is('no code'); }
