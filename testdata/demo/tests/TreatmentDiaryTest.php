<?php

declare(strict_types=1);

namespace HeatherLane\Tests;

use DateTimeImmutable;
use HeatherLane\InvalidEntry;
use HeatherLane\TreatmentDiary;
use PHPUnit\Framework\Attributes\DataProvider;
use PHPUnit\Framework\TestCase;

final class TreatmentDiaryTest extends TestCase
{
    private TreatmentDiary $diary;

    protected function setUp(): void
    {
        $this->diary = new TreatmentDiary();
    }

    public function testAnUntreatedColonyMayBeHarvestedAtOnce(): void
    {
        $this->assertTrue($this->diary->mayHarvest(new DateTimeImmutable('2024-05-01')));
        $this->assertNull($this->diary->clearOn());
        $this->assertSame(0, $this->diary->daysToWait(new DateTimeImmutable('2024-05-01')));
    }

    /** @dataProvider treatments */
    #[DataProvider('treatments')]
    public function testHoneyIsClearSomeDaysAfterATreatment(string $treatment, string $clear): void
    {
        $this->diary->record($treatment, new DateTimeImmutable('2024-02-20'));

        $this->assertSame($clear, $this->diary->clearOn()->format('Y-m-d'));
    }

    public static function treatments(): array
    {
        return [
            'a week' => ['formic', '2024-02-27'],
            'over the leap day' => ['thymol', '2024-03-05'],
            'a month' => ['oxalic', '2024-03-21'],
        ];
    }

    public function testWhatIsNotKnownIsRefused(): void
    {
        $this->expectException(InvalidEntry::class);
        $this->expectExceptionMessage('sulphur');

        $this->diary->record('sulphur', new DateTimeImmutable('2024-02-20'));
    }

    public function testTheLongestWaitDecides(): void
    {
        $this->diary->record('oxalic', new DateTimeImmutable('2024-08-01'));
        $this->diary->record('formic', new DateTimeImmutable('2024-08-10'));

        $this->assertSame('2024-08-31', $this->diary->clearOn()->format('Y-m-d'));
    }

    public function testHoneyIsNotTakenWhileWaiting(): void
    {
        $this->diary->record('thymol', new DateTimeImmutable('2024-08-01'));

        $this->assertFalse($this->diary->mayHarvest(new DateTimeImmutable('2024-08-05')));
        $this->assertTrue($this->diary->mayHarvest(new DateTimeImmutable('2024-08-20')));
    }

    /** @dataProvider waits */
    #[DataProvider('waits')]
    public function testTheDaysToWaitAreCounted(string $on, int $days): void
    {
        $this->diary->record('thymol', new DateTimeImmutable('2024-08-01'));

        $this->assertSame($days, $this->diary->daysToWait(new DateTimeImmutable($on)));
    }

    public static function waits(): array
    {
        return [
            'same day' => ['2024-08-01', 14],
            'halfway' => ['2024-08-08', 7],
            'long over' => ['2024-10-01', 0],
        ];
    }
}
