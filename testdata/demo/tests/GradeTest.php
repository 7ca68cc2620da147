<?php

declare(strict_types=1);

namespace HeatherLane\Tests;

use HeatherLane\Grade;
use HeatherLane\Moisture;
use PHPUnit\Framework\Attributes\DataProvider;
use PHPUnit\Framework\TestCase;

final class GradeTest extends TestCase
{
    /** @dataProvider buckets */
    #[DataProvider('buckets')]
    public function testABucketIsGradedByItsWaterAndHowItWasTaken(float $water, bool $pressed, Grade $grade): void
    {
        $this->assertSame($grade, Grade::judge(Moisture::percent($water), $pressed));
    }

    public static function buckets(): array
    {
        return [
            'dry and spun' => [17.0, false, Grade::Table],
            'wet and spun' => [21.5, false, Grade::Baking],
            'dry and pressed' => [18.0, true, Grade::Heather],
            'wetter and pressed' => [22.0, true, Grade::Heather],
            'far too wet' => [26.0, true, Grade::Baking],
        ];
    }

    public function testHoneyIsTakenToBeSpunUnlessSaid(): void
    {
        $this->assertNotSame(Grade::Heather, Grade::judge(Moisture::percent(18)));
    }

    /** @dataProvider labels */
    #[DataProvider('labels')]
    public function testEveryGradeHasALabel(Grade $grade): void
    {
        $this->assertNotSame('', $grade->label());
    }

    public static function labels(): iterable
    {
        foreach (Grade::cases() as $grade) {
            yield $grade->name => [$grade];
        }
    }

    public function testBakingHoneyNeverGoesIntoJars(): void
    {
        $this->assertFalse(Grade::Baking->isForJars());
        $this->assertTrue(Grade::Table->isForJars());
    }
}
