package operators

import (
	"strings"
	"testing"
)

// siblingUses are calls of PHP's functions, by the beginning of a constant's name, for which
// CHOSEN and its sibling make a difference.
var siblingUses = map[string]string{
	"JSON_UNESCAPED": `json_encode('/é', CHOSEN)`, "JSON_HEX": `json_encode("<&", CHOSEN) . json_encode("'", CHOSEN)`,
	"JSON_PRESERVE": `json_encode([1.0, '1'], CHOSEN)`, "JSON_NUMERIC": `json_encode([1.0, '1'], CHOSEN)`, "JSON_INVALID": `json_encode("a\xff", CHOSEN)`,
	"JSON_OBJECT": `serialize(json_decode('{"a":12345678901234567890}', null, 9, CHOSEN))`, "JSON_BIGINT": `serialize(json_decode('{"a":12345678901234567890}', null, 9, CHOSEN))`,
	"PREG_SPLIT": `serialize(preg_split('/(,)/', 'a,,b', -1, CHOSEN))`, "PREG_PATTERN": `[preg_match_all('/a/', 'aa', $m, CHOSEN), $m]`,
	"PREG_OFFSET": `[preg_match('/a/', 'aa', $m, CHOSEN), $m]`, "PREG_UNMATCHED": `[preg_match('/a/', 'aa', $m, CHOSEN), $m]`,
	"ENT_QUOTES": `htmlspecialchars("'", CHOSEN)`, "ENT_COMPAT": `htmlspecialchars("'", CHOSEN)`, "ENT_NOQUOTES": `htmlspecialchars('"', CHOSEN)`,
	"ENT_SUBSTITUTE": `htmlspecialchars("a\xff", CHOSEN)`, "ENT_IGNORE": `htmlspecialchars("a\xff", CHOSEN)`, "ENT_HTML": `htmlspecialchars("'", ENT_QUOTES | CHOSEN)`,
	"FILTER_VALIDATE_INT": `filter_var('1.5', CHOSEN)`, "FILTER_VALIDATE_FLOAT": `filter_var('1.5', CHOSEN)`,
	"FILTER_VALIDATE_URL": `filter_var('a.example', CHOSEN)`, "FILTER_VALIDATE_DOMAIN": `filter_var('a.example', CHOSEN)`,
	"FILTER_SANITIZE_NUMBER": `filter_var('1e5', CHOSEN, FILTER_FLAG_ALLOW_SCIENTIFIC)`, "FILTER_SANITIZE_": `filter_var('<', CHOSEN)`,
	"FILTER_FLAG_IPV": `filter_var('192.0.2.1', FILTER_VALIDATE_IP, CHOSEN)`, "FILTER_FLAG_NO_": `filter_var('10.0.0.1', FILTER_VALIDATE_IP, CHOSEN)`,
	"FILTER_FLAG_ALLOW_": `filter_var('0x1f', FILTER_VALIDATE_INT, CHOSEN)`, "FILTER_FLAG_STRIP": `filter_var("\té", FILTER_UNSAFE_RAW, CHOSEN)`,
	"FILTER_REQUIRE": `filter_var('1', FILTER_VALIDATE_INT, CHOSEN)`, "FILTER_FORCE": `filter_var('1', FILTER_VALIDATE_INT, CHOSEN)`,
	"SORT_ASC": `[$a = [1, 2], array_multisort($a, CHOSEN), $a]`, "SORT_DESC": `[$a = [1, 2], array_multisort($a, CHOSEN), $a]`,
	"SORT_REGULAR": `[$a = [10, 9], sort($a, CHOSEN), $a]`, "SORT_NUMERIC": `[$a = [10, 9], sort($a, CHOSEN), $a]`, "SORT_": `[$a = ['a10', 'a9'], sort($a, CHOSEN), $a]`,
	"STR_PAD": `str_pad('a', 3, '-', CHOSEN)`, "CASE": `array_change_key_case(['aB' => 1], CHOSEN)`, "MB_CASE": `mb_convert_case('ab', CHOSEN)`,
	"PHP_ROUND": `[round(2.5, 0, CHOSEN), round(3.5, 0, CHOSEN)]`, "PATHINFO": `pathinfo('a/b.c', CHOSEN)`, "PHP_URL": `parse_url('s://u:w@h:1/p?q#f', CHOSEN)`,
	"PHP_QUERY": `http_build_query(['a' => 'b c'], '', '&', CHOSEN)`, "FILE_": `file('data:,a%0A%0Ab', CHOSEN)`, "DATE_": `gmdate(CHOSEN, 0)`,
}

// TestSiblings asks PHP: both constants are there, from the same extension, with names that
// begin alike, and make a difference.
func TestSiblings(t *testing.T) {
	questions := map[string][3]string{}
	for name, s := range siblings {
		best := ""
		for begin := range siblingUses {
			if strings.HasPrefix(name, begin) && len(begin) > len(best) {
				best = begin
			}
		}
		if best == "" {
			t.Errorf("no use of %s", name)
		}
		use := siblingUses[best]
		questions[name] = [3]string{s.name, strings.ReplaceAll(use, "CHOSEN", name), strings.ReplaceAll(use, "CHOSEN", s.name)}
		if a, _, _ := strings.Cut(name, "_"); !strings.HasPrefix(s.name, a+"_") {
			t.Errorf("%s and %s", name, s.name)
		}
	}
	var answers map[string]string
	askPHP(t, `<?php
$of = [];
foreach (get_defined_constants(true) as $extension => $names) {
	foreach (array_keys($names) as $name) $of[$name] = $extension;
}
$answers = [];
foreach (json_decode(stream_get_contents(STDIN), true) as $name => [$to, $a, $b]) {
	if (!isset($of[$name], $of[$to]) || $of[$name] !== $of[$to]) $answers[$name] = 'is not there, or in another extension';
	elseif (serialize(eval("return $a;")) === serialize(eval("return $b;"))) $answers[$name] = "$a is the same with $to";
}
echo json_encode((object) $answers);
`, questions, &answers)
	for name, wrong := range answers {
		t.Errorf("%s: %s", name, wrong)
	}
}
