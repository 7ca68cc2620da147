<?php

namespace Sound;

/** Reads lists of passengers. */
final class Names
{
    /** @return list<string> */
    public function read(string $list): array
    {
        $names = [];
        foreach (explode(';', $list) as $name) {
            $name = trim($name);
            if ($name === '' || in_array($name, $names, true)) {
                continue;
            }
            $names[] = $this->tidy($name);
        }

        return array_values($names);
    }

    private function tidy(string $name): string
    {
        return ucwords(strtolower($name));
    }

    public function count(string $list): int
    {
        return (int) count($this->read($list));
    }
}
