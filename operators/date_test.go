package operators

import (
	"slices"
	"strings"
	"testing"
)

// TestFormatLetters asks PHP which letters mean something in a date's format, and whether those
// that are taken for each other are told apart: when a date is written, and when one is read.
func TestFormatLetters(t *testing.T) {
	question := map[string][]string{"written": {}, "read": {}, "alike": {"dj", "mn", "HG", "hg"}}
	for a, b := range writtenSwaps {
		question["written"] = append(question["written"], string(a)+string(b))
	}
	for a, b := range readSwaps {
		question["read"] = append(question["read"], string(a)+string(b))
	}
	var answers struct {
		Letters string
		Same    []string // of those that are to be told apart
		Differ  []string // of those that are read alike
	}
	askPHP(t, `<?php
date_default_timezone_set('UTC');
$question = json_decode(stream_get_contents(STDIN), true);
$read = fn ($letter, $text) => (DateTime::createFromFormat('!' . $letter, $text) ?: null)?->format('c');
$letters = '';
foreach ([...range('A', 'Z'), ...range('a', 'z')] as $c) {
	if (date($c, 0) !== $c) $letters .= $c;
}
$same = $differ = [];
$sunday = strtotime('2024-02-04 15:06:07');
foreach ($question['written'] as $pair) {
	if (date($pair[0], $sunday) === date($pair[1], $sunday)) $same[] = $pair;
}
foreach ($question['read'] as $pair) {
	$alike = true;
	foreach (['7', '07', '13', '2024'] as $text) $alike = $alike && $read($pair[0], $text) === $read($pair[1], $text);
	if ($alike) $same[] = $pair;
}
foreach ($question['alike'] as $pair) {
	foreach (['7', '07', '11', '13'] as $text) {
		if ($read($pair[0], $text) !== $read($pair[1], $text)) $differ[] = $pair;
	}
}
echo json_encode(['letters' => $letters, 'same' => $same, 'differ' => $differ]);
`, question, &answers)
	want := []byte(formatLetters)
	slices.Sort(want)
	got := []byte(strings.NewReplacer("X", "", "x", "").Replace(answers.Letters)) // new in PHP 8.2
	slices.Sort(got)
	if string(got) != string(want) {
		t.Errorf("PHP knows %s, want %s", got, want)
	}
	if len(answers.Same)+len(answers.Differ) > 0 {
		t.Errorf("PHP does not tell %v apart, and does tell %v", answers.Same, answers.Differ)
	}
}

// TestMonthsAreNotDays asks PHP: from some days of a year a span comes to another day than the
// one that is taken for it, and from some to the same where that is said of no other.
func TestMonthsAreNotDays(t *testing.T) {
	var pairs [][2]string
	for _, text := range []string{"+1 month", "-2 years 3 days", "30 days ago", "+365 days", "+90 days"} {
		pairs = append(pairs, [2]string{text, relativeSpanAs(text)})
	}
	for _, text := range []string{"P1M", "P2Y", "P30D", "PT5M", "P730D"} {
		pairs = append(pairs, [2]string{text, isoSpanAs(text)})
	}
	var same []string
	askPHP(t, `<?php
$move = fn ($day, $span) => ($span[0] === 'P' ? $day->add(new DateInterval($span)) : $day->modify($span))->format('c');
$same = [];
foreach (json_decode(stream_get_contents(STDIN)) as [$a, $b]) {
	$differ = 0;
	for ($day = new DateTimeImmutable('2023-01-01 UTC'); $day->format('Y') < 2025; $day = $day->modify('+1 day')) {
		$differ += $move($day, $a) !== $move($day, $b);
	}
	if (!$differ) $same[] = "$a, $b";
}
echo json_encode($same);
`, pairs, &same)
	if len(same) > 0 {
		t.Errorf("PHP comes to the same with %v", same)
	}
}
