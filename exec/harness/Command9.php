<?php

declare(strict_types=1);

namespace PHPUnit\AssayHarness;

use PHPUnit\TextUI\Command;

/** Has PHPUnit 9.6 tell the supervisor and print nothing. */
trait HookedArguments
{
    protected function handleArguments(array $argv): void
    {
        parent::handleArguments($argv);
        $this->arguments['printer'] = new Reporter();
        \class_exists(Loader::part('SebastianBergmann\Environment\Console')); // its own printer needs it
        $configuration = $this->arguments['configurationObject'] ?? null;
        $phpunit = $configuration ? $configuration->phpunit() : null;
        Reporter::$fatal = ['error' => true, 'failure' => true,
            'warning' => $this->fails('failOnWarning', $phpunit),
            'risky' => $this->fails('failOnRisky', $phpunit),
            'incomplete' => $this->fails('failOnIncomplete', $phpunit),
            'skipped' => $this->fails('failOnSkipped', $phpunit),
            'time_limit' => $this->fails('enforceTimeLimit', $phpunit)];
    }

    private function fails(string $key, $phpunit): bool
    {
        return (bool) ($this->arguments[$key] ?? ($phpunit ? $phpunit->{$key}() : false));
    }
}

// What the script runs may be a command that adds something to PHPUnit's own. An alias for
// it would be seen among the declared classes. A process of PHPUnit's for one test, which
// loads what its parent has, runs none.
if (!isset(Process::$setup) || Loader::command(Process::$setup['phpunit']) === Command::class) {
    final class HookedCommand extends Command
    {
        use HookedArguments;
    }
} else {
    eval('namespace ' . __NAMESPACE__ . '; final class HookedCommand extends \\' . Loader::command(Process::$setup['phpunit']) . ' { use HookedArguments; }');
}
