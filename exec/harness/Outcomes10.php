<?php

declare(strict_types=1);

// What goes wrong while PHPUnit 10 or later runs the suite.

namespace PHPUnit\AssayHarness;

use PHPUnit\Event\Event;
use PHPUnit\Event\Test;
use PHPUnit\Event\TestRunner;
use PHPUnit\Event\TestSuite;

/**
 * Tells the supervisor what PHPUnit's events say went wrong.
 *
 * Which of them make the suite red is PHPUnit's own to say: failures and errors
 * do; for all others its exit status, as it would be by then, is looked at when
 * their test is over. A tracer hears of an event before PHPUnit counts it.
 */
final class Outcomes10
{
    private const FATAL = [
        Test\Failed::class => 'failed',
        Test\Errored::class => 'errored',
        Test\BeforeFirstTestMethodErrored::class => 'classErrored',
        Test\BeforeFirstTestMethodFailed::class => 'classErrored',
        Test\AfterLastTestMethodErrored::class => 'classErrored',
        Test\AfterLastTestMethodFailed::class => 'classErrored',
        Test\PhpunitErrorTriggered::class => 'broken',
    ];

    /** Events that may or may not be green, with the name that the configuration has for them. */
    public const ISSUES = [
        Test\Skipped::class => 'skipped',
        TestSuite\Skipped::class => 'skipped',
        Test\MarkedIncomplete::class => 'incomplete',
        Test\ConsideredRisky::class => 'risky',
        Test\ErrorTriggered::class => 'error',
        Test\WarningTriggered::class => 'warning',
        Test\PhpWarningTriggered::class => 'warning',
        Test\NoticeTriggered::class => 'notice',
        Test\PhpNoticeTriggered::class => 'notice',
        Test\DeprecationTriggered::class => 'deprecation',
        Test\PhpDeprecationTriggered::class => 'deprecation',
        Test\PhpunitDeprecationTriggered::class => 'phpunit deprecation',
        Test\PhpunitNoticeTriggered::class => 'phpunit notice',
        Test\PhpunitWarningTriggered::class => 'phpunit warning',
        TestRunner\WarningTriggered::class => 'phpunit warning',
        TestRunner\NoticeTriggered::class => 'phpunit notice',
        TestRunner\DeprecationTriggered::class => 'phpunit deprecation',
        TestRunner\ErrorTriggered::class => 'error',
        TestRunner\PhpDeprecationTriggered::class => 'deprecation',
        TestRunner\PhpNoticeTriggered::class => 'notice',
        TestRunner\PhpWarningTriggered::class => 'warning',
        TestRunner\Issue\DeprecationTriggered::class => 'deprecation',
        TestRunner\Issue\NoticeTriggered::class => 'notice',
        TestRunner\Issue\WarningTriggered::class => 'warning',
    ];

    private Reporter $reporter;
    private bool $begun = false;
    /** @var list<array{string, int, string, string}> kind, number, name, message: not known yet whether they are green */
    private array $pending = [];
    /** @var list<array{string, int, string, string}> what went wrong before the first test */
    private array $early = [];
    private bool $red = false;

    public function __construct(Reporter $reporter)
    {
        $this->reporter = $reporter;
    }

    /** Whether events of a class are for this one. */
    public static function hears(string $class): bool
    {
        return isset(self::ISSUES[$class]) || isset(self::FATAL[$class]);
    }

    public function hear(Event $event, string $class): void
    {
        if (isset(self::ISSUES[$class])) {
            $this->issue($event, self::ISSUES[$class]);
        } else {
            $this->{self::FATAL[$class]}($event);
        }
    }

    /** The first test is about to run. */
    public function begin(): void
    {
        $this->begun = true;
        foreach ($this->early as $row) {
            $this->fatal(...$row);
        }
    }

    public function isRed(): bool
    {
        return $this->red;
    }

    public function forget(): void
    {
        [$this->red, $this->pending] = [false, []];
    }

    private function failed(Test\Failed $event): void
    {
        $this->failure('failure', $event);
    }

    private function errored(Test\Errored $event): void
    {
        $this->failure('error', $event);
    }

    private function failure(string $kind, Event $event): void
    {
        $name = Reporter::nameIn($event->test());
        $this->fatal($kind, $this->reporter->numberOf($name), $name,
            $event->throwable()->className() . ': ' . $event->throwable()->message());
    }

    /** A method that belongs to a whole class failed. */
    private function classErrored(Event $event): void
    {
        $method = $event->calledMethod();
        $this->fatal('error', -1, Channel::method($method->className() . '::' . $method->methodName()),
            $event->throwable()->className() . ': ' . $event->throwable()->message());
    }

    /** PHPUnit could not make or run the test: most often its data provider is at fault. */
    private function broken(Test\PhpunitErrorTriggered $event): void
    {
        $name = Reporter::nameIn($event->test());
        $row = ['error', $this->reporter->numberOf($name), $name, \str_replace("\n", ' ', $event->message())];
        if ($this->begun) {
            $this->fatal(...$row);

            return;
        }
        $this->early[] = $row;
    }

    private function fatal(string $kind, int $number, string $name, string $message): void
    {
        $this->red = true;
        $this->send($kind, $number, $name, $message, true);
    }

    private function issue(Event $event, string $kind): void
    {
        $name = \method_exists($event, 'test') ? Reporter::nameIn($event->test()) : '';
        if ($event instanceof Test\Skipped && !$this->reporter->isOpen($name)) {
            $this->reporter->start($name); // it depends on a test that failed, and is not begun
        }
        $message = \method_exists($event, 'message') ? $event->message() : '';
        if (\method_exists($event, 'throwable')) {
            $message = $event->throwable()->message();
        }
        $this->pending[] = [$kind, $this->reporter->numberOf($name), $name, $message];
    }

    /**
     * Finds out whether what happened makes the suite red. Before the first
     * test the status says that none was run, which is true and no issue.
     */
    public function settle(bool $last): void
    {
        if ($this->pending === [] || !$this->begun || (!$last && !PHPUnit10Internals::anyTestRun())) {
            return;
        }
        $rows = $this->pending;
        $this->pending = [];
        $guilty = [];
        if (PHPUnit10Internals::exitStatus() !== 0) {
            $guilty = \array_filter($rows, static fn (array $row) => $row[0] === 'error' || PHPUnit10Internals::fails($row[0]));
            if ($guilty === [] && !$this->red) {
                $guilty = $rows;
            }
        }
        foreach ($rows as $i => $row) {
            if (isset($guilty[$i])) {
                $this->fatal(...$row);
            } else {
                $this->send($row[0], $row[1], $row[2], $row[3], false);
            }
        }
    }

    private function send(string $kind, int $number, string $name, string $message, bool $fatal): void
    {
        $line = \strtok($message, "\n");
        Process::$channel->send(['event', $number, $kind, $fatal, \substr($line === false ? '' : $line, 0, 400), $name]);
    }
}
