<?php
use PHPUnit\Framework\TestCase;

final class MirrorTest extends TestCase
{
    public function testRipples(): void
    {
        $this->assertSame(4, (new Mirror())->ripples(2));
    }

    public function testImage(): void
    {
        $mirror = new Mirror();
        $mirror->ripples(0);
        file_put_contents(getenv('MIRROR_IMAGES'), json_encode($mirror->image(), JSON_INVALID_UTF8_SUBSTITUTE) . "\n", FILE_APPEND);
        $this->assertSame(0, $mirror->ripples(0));
    }
}
