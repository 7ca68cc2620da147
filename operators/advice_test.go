package operators

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"testing"

	"assay/mutate"
	"assay/mutate/syntax"
)

// An adviceCase is a change of a source, what was observed of it, what the advice has to say
// and what would be wrong there.
type adviceCase struct {
	name, op, code string
	before, after  string // of the edit
	seen           mutate.Seen
	says, never    []string
}

var (
	differs    = mutate.Seen{Word: mutate.Differs}
	notCompare = mutate.Seen{Word: mutate.NotObserved}
)

func same(expression string, values ...string) mutate.Seen {
	return mutate.Seen{Word: mutate.NeverDiffers, Expression: expression, Times: 3, Values: values}
}

const deckhand = `final class Deckhand { public function name(?Log $log, array $row, $x, string $text): mixed {
	`

// adviceCases are changes for which the advice was wrong as long as it followed from the
// operator alone.
var adviceCases = []adviceCase{
	{"the tests trim both sides", "call/string-step-dropped", deckhand + `return trim($text); } }`, "trim($text)", "$text", differs,
		[]string{"none fails", "what follows hides it", "assertSame"}, []string{"Add", "blanks", "white space"}},
	{"no text has white space", "call/string-step-dropped", deckhand + `return rtrim($text); } }`, "rtrim($text)", "$text", same("rtrim($text)", "'a'"),
		[]string{"Add a case with a text that has white space at its end."}, []string{"other case", "too long", "beginning"}},
	{"null before a call", "connective/and-left-dropped", deckhand + `return $log !== null && $log->open(); } }`, "$log !== null && $log->open()", "$log->open()", notCompare,
		[]string{"when `$log !== null` is false. Have such a case", "error or a warning", "`$log->open()` uses what is checked there"}, []string{"right side true", "`$log->open()` holds", "`$log->open()` is true"}},
	{"an element before its value", "connective/and-left-dropped", deckhand + `return isset($row['k']) && $row['k'] > 1; } }`, "isset($row['k']) && $row['k'] > 1", "$row['k'] > 1", same("isset($row['k']) && $row['k'] > 1", "true"),
		[]string{"Add a case in which `isset($row['k'])` is false.", "let PHPUnit fail on warnings"}, []string{"`$row['k'] > 1` is true"}},
	{"a type before its function", "connective/all-any-swapped", deckhand + `return is_string($x) && strlen($x) > 2; } }`, "&&", "||", same("is_string($x) && strlen($x) > 2", "true"),
		[]string{"`is_string($x)` is true and `strlen($x) > 2` is false"}, []string{"`is_string($x)` is false"}},
	{"null before a call, with or", "connective/or-left-dropped", deckhand + `return $log === null || $log->open(); } }`, "$log === null || $log->open()", "$log->open()", notCompare,
		[]string{"when `$log === null` is true. Have such a case", "error or a warning"}, []string{"right side false", "does not hold"}},
	{"null compared", "connective/or-left-dropped", deckhand + `return $x === null || $text > $x; } }`, "$x === null || $text > $x", "$text > $x", same("$x === null || $text > $x", "true"),
		[]string{"`$x === null` is true and `$text > $x` is false. If there can be none, the check on the left is not needed."}, []string{"warning"}},
	{"a question to what may not be there", "connective/or-left-dropped", deckhand + `return $row === null || !isset($row['k']); } }`, "$row === null || !isset($row['k'])", "!isset($row['k'])", same("$row === null || !isset($row['k'])", "true"),
		[]string{"`$row === null` is true and `!isset($row['k'])` is false. If there can be none"}, []string{"warning"}},
	{"a blank between quotes", "string/emptied", deckhand + `$x = '" "'; return $x; } }`, `'" "'`, "''", differs,
		[]string{"Assert the whole result"}, []string{"white space"}},
	{"a loop that counts one by one", "relational/any-difference", deckhand + `for ($i = $x; $i < 9; $i++) { $text .= 'a'; } return $text; } }`, "<", "!=", same("$i < 9", "true", "false"),
		[]string{"`$i` steps over `9`, or begins beyond it. If there can be none"}, []string{"so far"}},
	{"a factor that is a constant", "integer/plus-one", deckhand + `return self::DEPTH * 2; } }`, "2", "3", same("self::DEPTH * 2 > 4", "true"),
		[]string{"this number"}, []string{"is not 0"}},
	{"a divisor", "integer/plus-one", deckhand + `return (int) (($x - 2) / 3); } }`, "3", "4", notCompare,
		[]string{"exactly what `($x - 2) / 3` comes to"}, []string{"lies exactly on it"}},
	{"a number for a method", "integer/plus-one", deckhand + `$log->rank($text, 50); return null; } }`, "50", "51", differs,
		[]string{"Assert something for which it matters that rank() is given 50."}, []string{"this number"}},
	{"a number for a function", "integer/plus-one", deckhand + `return substr($text, 3); } }`, "3", "4", differs,
		[]string{"Assert the exact result that comes of `substr($text, 3)`."}, []string{"matters"}},
	{"a flag with its first value", "truth/switched-on", deckhand + `$ok = false; if ($x) { $ok = true; } return $ok; } }`, "false", "true", differs,
		[]string{"Assert what comes out when `$ok` gets no other value below."}, []string{"bring about"}},
	{"a result that is false", "truth/switched-on", deckhand + `return false; } }`, "false", "true", notCompare,
		[]string{"assert false, or what comes of that"}, []string{"bring about", "stored"}},
	{"a length that is compared", "call/multibyte-dropped", deckhand + `return mb_strlen($text) > $x; } }`, "mb_strlen", "strlen", differs,
		[]string{"Assert what depends on `mb_strlen($text) > $x`."}, []string{"exact length"}},
	{"two lists that are constants", "call/part-dropped", deckhand + `return array_merge(self::OPEN, self::SHUT); } }`, "array_merge(self::OPEN, self::SHUT)", "self::SHUT", differs,
		[]string{"Assert what comes of an element of `self::OPEN`."}, []string{"does not have"}},
	{"a call on what is given", "effect/call-dropped", deckhand + `$log->rewind(); return null; } }`, "$log->rewind();", ";", notCompare,
		[]string{"No test sees the effect of rewind() on `$log`."}, []string{"this call", "the other object"}},
	{"a flag of PHP's", "bitwise/left-flag-dropped", deckhand + `return html_entity_decode($text, ENT_QUOTES | ENT_HTML5); } }`, "ENT_QUOTES | ENT_HTML5", "ENT_HTML5", notCompare,
		[]string{"No test depends on `ENT_QUOTES`."}, []string{"bits"}},
	{"a flag that is asked for", "bitwise/mask-reversed", deckhand + `if ($x & self::SORT && $text) { return 1; } return 2; } }`, "&", "|", notCompare,
		[]string{"when `$x & self::SORT` does not hold. Have such a case"}, []string{"exact number"}},
	{"an element that is true", "truth/switched-off", deckhand + `return new Quote($x, ['loud' => true]); } }`, "true", "false", differs,
		[]string{"Assert something that depends on `'loud'` being true."}, []string{"stored"}},
	{"a check and its neighbour", "typecheck/check-widened", deckhand + `return is_string($x); } }`, "is_string", "is_scalar", notCompare,
		[]string{"Pass 5 or true and assert that it does not pass."}, []string{"ArrayIterator", "is_int()", "folder"}},
	{"a check and its narrower neighbour", "typecheck/check-narrowed", deckhand + `return is_numeric($x); } }`, "is_numeric", "is_int", same("is_numeric($x)", "true"),
		[]string{"Add a case with 1.5 or '7'."}, []string{"generator", "folder"}},
	{"a place that is moved", "increment/count-dropped", deckhand + `$x++; return substr($text, $x, 2); } }`, "$x++;", ";", mutate.Seen{},
		[]string{"where `$x` stands", "`substr($text, $x, 2)`", "assert the exact result"}, []string{"this count", "drop the counter"}},
	{"a place that goes the other way", "increment/up-reversed", deckhand + `$x++; return $row[$x]; } }`, "++", "--", mutate.Seen{},
		[]string{"where `$x` stands", "`$row[$x]`"}, []string{"count itself"}},
	{"a place that goes back", "increment/down-reversed", deckhand + `$x--; return $row[$x]; } }`, "--", "++", mutate.Seen{},
		[]string{"where `$x` stands", "`$row[$x]`"}, []string{"count itself"}},
	{"a count that is a count", "increment/count-dropped", deckhand + `$x++; return $x; } }`, "$x++;", ";", mutate.Seen{},
		[]string{"this count"}, []string{"stands"}},
	{"a cast of what is a text", "typecheck/number-cast-dropped", deckhand + `return (int) $log->format('i'); } }`, "(int) $log->format('i')", "$log->format('i')", notCompare,
		[]string{"the text that `$log->format('i')` is", "only goes into sums"}, []string{"fraction"}},
	{"sides of their own", "connective/and-left-dropped", deckhand + `return $x > 3 && $x < 9; } }`, "$x > 3 && $x < 9", "$x < 9", same("$x > 3 && $x < 9", "true"),
		[]string{"Add a case in which `$x > 3` is false and `$x < 9` is true."}, []string{"warning"}},
	{"the owner of a substitute", "coalesce/substitute-dropped", deckhand + `return $log->name ?? $log->path(); } }`, "$log->name ?? $log->path()", "$log->name", notCompare,
		[]string{"`$log->name` is null and `$log` is not"}, []string{"missing"}},
	{"a catch that throws another", "exception/class-widened", deckhand + "try { throw new \\RangeException('a'); } catch (\\Exception $e) { throw new Late('b', 0, $e); } } }", `\RangeException`, `\RuntimeException`, mutate.Seen{},
		[]string{"The catch block in line 3 takes this exception", "getPrevious()"}, []string{"expectException()"}},
	{"a catch that takes what is thrown", "exception/throw-dropped", deckhand + "try { throw new \\RangeException('a'); } catch (\\RuntimeException $e) { $x = 2; } } }", `throw new \RangeException('a');`, ";", notCompare,
		[]string{"The catch block in line 3 takes it", "assert what the block does"}, []string{"expectException()"}},
	{"a throw that leaves the function", "exception/throw-dropped", deckhand + "try { throw new \\RangeException('a'); } catch (\\LengthException $e) { $x = 2; } } }", `throw new \RangeException('a');`, ";", notCompare,
		[]string{"expectException()"}, []string{"catch block"}},
	{"sorting is no collaborator", "effect/call-dropped", deckhand + `arsort($row); return $row; } }`, "arsort($row);", ";", notCompare,
		[]string{"arsort()", "elements of `$row` in order", "out of order"}, []string{"mock", "other object"}},
	{"the object's own method", "effect/call-dropped", deckhand + `$this->tidy(); return 1; } }`, "$this->tidy();", ";", mutate.Seen{},
		[]string{"tidy()", "in this object"}, []string{"mock"}},
	{"an object that no mock replaces", "effect/call-dropped", deckhand + `$log = new Log(); $log->open(); return $log; } }`, "$log->open();", ";", mutate.Seen{},
		[]string{"no mock can stand in for it"}, []string{"expects("}},
	{"another object", "effect/call-dropped", deckhand + `$log->open(); return 1; } }`, "$log->open();", ";", mutate.Seen{},
		[]string{"expects(self::once())"}, nil},
	{"repeating has no case of letters", "call/string-step-dropped", deckhand + `return str_repeat($text, $x); } }`, "str_repeat($text, $x)", "$text", notCompare,
		[]string{"another number of times than once"}, []string{"other case", "blanks", "letter"}},
	{"capitals are made", "call/string-step-dropped", deckhand + `return strtoupper($text); } }`, "strtoupper($text)", "$text", same("strtoupper($text)", "'A'"),
		[]string{"Add a case with a text that has a small letter."}, []string{"blanks", "too long", "mixed"}},
	{"a loop that ends earlier", "integer/minus-one", deckhand + `for ($i = 0; $i < 10; $i++) { if ($row[$i] === $x) { break; } } return $i; } }`, "10", "9", same("$i < 10", "true"),
		[]string{"the loop gets so far that `$i` is exactly 9", "nothing may end it before"}, []string{"lies exactly on it"}},
	{"the limit of a loop", "relational/boundary-included", deckhand + `$i = 0; while ($i < $x && $row[$i] !== 0) { $i++; } return $i; } }`, "<", "<=", same("$i < $x && $row[$i] !== 0", "true"),
		[]string{"the loop gets so far that `$i` is exactly `$x`", "The rest of the expression must not hide the difference."}, []string{"the other side of the comparison"}},
	{"a limit that is one below the number", "integer/minus-one", deckhand + `return $x < 10; } }`, "10", "9", same("$x < 10", "true", "false"),
		[]string{"Add a case in which `$x` is exactly 9."}, []string{"exactly 10"}},
	{"a limit that is one above the number", "integer/plus-one", deckhand + `return $x > 10; } }`, "10", "11", differs,
		[]string{"Assert what happens when `$x` is exactly 11."}, []string{"exactly 10", "Add"}},
	{"a blank hides the end of a word", "pattern/anchor-dropped", deckhand + `return preg_match('/pier\b/', $text); } }`, `\b`, "", same(`preg_match('/pier\b/', $text)`, "1"),
		[]string{"a letter stands right beside", "without a blank"}, []string{`"x" and a blank`}},
	{"a blank that nobody sees", "concat/end-dropped", deckhand + `return $text . ' '; } }`, "$text . ' '", "$text", differs,
		[]string{"white space included", "trims the string"}, []string{"Add"}},
	{"an empty text for a blank", "string/emptied", deckhand + `$x = ' '; return $x; } }`, "' '", "''", notCompare,
		[]string{"white space included"}, nil},
	{"a quote at the end of the text", "call/string-step-dropped", deckhand + `return rtrim($text, '"'); } }`, `rtrim($text, '"')`, "$text", same(`rtrim($text, '"')`, "'a'"),
		[]string{"a character of `'\"'` at its end"}, []string{"white space", "blank"}},
	{"one step of several", "call/string-step-dropped", deckhand + `return rtrim(rtrim($text, '0'), '.') . 'kg'; } }`, `rtrim(rtrim($text, '0'), '.')`, "rtrim($text, '0')", same(`rtrim(rtrim($text, '0'), '.') . 'kg'`),
		[]string{"a character of `'.'` at its end. The rest of the expression"}, []string{"not at both"}},
	{"the quotes to trim", "call/option-dropped", deckhand + `return trim($text, '"'); } }`, `, '"'`, "", notCompare,
		[]string{"a character of `'\"'` at its beginning or end"}, []string{"JSON_UNESCAPED_SLASHES", "separator"}},
	{"a condition that always holds", "condition/always-met", deckhand + `if ($x) { $x = strlen($text); $text = ''; } return $x; } }`, "$x", "true", same("$x", "true"),
		[]string{"Add a case in which `$x` does not hold."}, []string{"Assert"}},
	{"a comparison that is never true", "sameness/never-equal", deckhand + `return $x === 2; } }`, "$x === 2", "false", same("$x === 2", "false"),
		[]string{"Add a case in which `$x === 2` is true."}, []string{"Assert"}},
	{"a blank at the beginning", "concat/beginning-dropped", deckhand + `return "\n" . $text; } }`, `"\n" . $text`, "$text", differs,
		[]string{"white space included"}, nil},
	{"both sides equal", "relational/boundary-excluded", deckhand + `return $x >= 18; } }`, ">=", ">", same("$x >= 18", "true", "false"),
		[]string{"Add a case in which `$x` is exactly `18`."}, []string{"rest of", "look at the outcome"}},
	{"two elements that are the same in all tests", "key/another", deckhand + `return $row['from'] . strlen($row['to']); } }`, "'from'", "'to'", same("$row['from']", "'Leer'"),
		[]string{"Add a case in which `$row['from']` and `$row['to']` differ."}, []string{"Assert"}},
	{"an element that nobody looks at", "key/another", deckhand + `return $row['from'] . strlen($row['to']); } }`, "'from'", "'to'", differs,
		[]string{"Assert what comes of `$row['from']`"}, []string{"Add"}},
	{"a part up to a length", "extent/one-more", deckhand + `return substr($text, 0, $x); } }`, "$x", "$x + 1", same("substr($text, 0, $x)", "'a'"),
		[]string{"Add a case in which the text goes on behind the part that `$x` lets through."}, []string{"array", "Assert"}},
	{"where a part begins", "extent/one-less", deckhand + `return array_slice($row, $x); } }`, "$x", "$x - 1", same("array_slice($row, $x)"),
		[]string{"Add a case in which `$x` lies within the array"}, []string{"text", "Assert"}},
	{"a loop over all that there is", "extent/one-less", deckhand + `for ($i = 0; $i < count($row); $i++) { $text .= $row[$i]; } return $text; } }`, "count($row)", "count($row) - 1", same("$i < count($row)", "true"),
		[]string{"the loop gets so far that `count($row)` is exactly one more than `$i`"}, []string{"Assert"}},
	{"as many as there may be", "extent/one-more", deckhand + `return count($row) >= $x; } }`, "count($row)", "count($row) + 1", same("count($row) >= $x", "true"),
		[]string{"Add a case in which `count($row)` is exactly one less than `$x`."}, []string{"is exactly `$x`"}},
	{"two numbers that are the same in all tests", "variable/parameter-mistaken", `function fare(int $from, int $to) { return 3 * $from; }`, "$from", "$to", same("3 * $from", "3"),
		[]string{"Add a case in which `$from` and `$to` differ."}, []string{"Assert"}},
	{"a property that nobody looks at", "variable/property-mistaken", `class A { private int $from; private int $to; function f() { return $this->to; } }`, "$this->to", "$this->from", differs,
		[]string{"Assert what comes of `$this->to`, in a case in which `$this->from` has another value."}, []string{"Add"}},
	{"a part that nobody compares", "text/value-left-out", deckhand + "return \"Pier {$row['at']}!\"; } }", `"Pier {$row['at']}!"`, `"Pier !"`, differs,
		[]string{"Assert the whole string with assertSame, `$row['at']` included."}, []string{"Add"}},
	{"two values that are the same in all tests", "text/values-exchanged", deckhand + `return sprintf('%s %s', $x, $text); } }`, "$x, $text", "$text, $x", same("sprintf('%s %s', $x, $text)", "'a a'"),
		[]string{"Add a case in which `$x` and `$text` differ."}, []string{"Assert"}},
	{"a flag for quotes", "flag/sibling", deckhand + `return htmlspecialchars($text, ENT_QUOTES); } }`, "ENT_QUOTES", "ENT_COMPAT", same("htmlspecialchars($text, ENT_QUOTES)", "'a'"),
		[]string{`Add a case with a text that has a "'".`}, []string{"Assert"}},
	{"an hour that nobody looks at", "date/letter-swapped", deckhand + `return $x->format('H:s'); } }`, "'H:s'", "'h:s'", differs,
		[]string{"Assert the whole text, in a case in which the hour is after noon."}, []string{"Add"}},
	{"one of two that must be there", "connective/isset-part-dropped", deckhand + `return isset($row['a'], $row['b']); } }`, ", $row['b']", "", same("isset($row['a'], $row['b'])", "true"),
		[]string{"Add a case in which `$row['b']` is missing or null, and all else is there."}, []string{"Assert"}},
	{"what belongs together, with && first", "connective/regrouped", deckhand + `return $x > 1 && $row || $text === 'a'; } }`, "$x > 1 && $row || $text === 'a'", "$x > 1 && ($row || $text === 'a')", same("$x > 1 && $row || $text === 'a'", "true"),
		[]string{"Add a case in which `$x > 1` is false and `$text === 'a'` is true."}, []string{"Assert", "other way round"}},
	{"what belongs together, with || first", "connective/regrouped", deckhand + `return $x > 1 || $row && $text === 'a'; } }`, "$x > 1 || $row && $text === 'a'", "($x > 1 || $row) && $text === 'a'", same("$x > 1 || $row && $text === 'a'", "true"),
		[]string{"Add a case in which `$x > 1` is true and `$text === 'a'` is false."}, []string{"Assert", "other way round"}},
	{"a value in a message", "text/value-left-out", deckhand + `throw new \RangeException("No pier $x"); } }`, `"No pier $x"`, `"No pier "`, differs,
		[]string{"Assert the whole message with expectExceptionMessage(), `$x` included."}, []string{"assertSame"}},
}

func TestAdvice(t *testing.T) {
	for _, c := range adviceCases {
		t.Run(c.name, func(t *testing.T) {
			m, f := mutantOf(t, c)
			got := mutate.Advice(m, f, c.seen)
			for _, s := range c.says {
				if !strings.Contains(got, s) {
					t.Errorf("%q\nis not in %q", s, got)
				}
			}
			for _, s := range c.never {
				if strings.Contains(got, s) {
					t.Errorf("%q\nis in %q", s, got)
				}
			}
		})
	}
}

// mutantOf gives the mutant of a case; there must be one.
func mutantOf(t *testing.T, c adviceCase) (*mutate.Mutant, *syntax.File) {
	t.Helper()
	f, err := syntax.Parse("", []byte("<?php\n"+c.code))
	if err != nil {
		t.Fatal(err)
	}
	var made []string
	all := All()
	op := all[slices.IndexFunc(all, func(op *mutate.Operator) bool { return op.ID == c.op })]
	for _, x := range mutate.EditsOf(f, op) {
		before := string(f.Src[x.Edit.Start:x.Edit.End])
		if before == c.before && strings.TrimSpace(x.Edit.New) == c.after {
			return &mutate.Mutant{Op: op, Edit: x.Edit}, f
		}
		made = append(made, fmt.Sprintf("%q => %q", before, x.Edit.New))
	}
	t.Fatalf("%s makes %v of %q, and not %q => %q", c.op, made, c.code, c.before, c.after)
	return nil, nil
}

// TestAdviceFollowsWhatWasObserved: where the case is there it asks for an assertion, and where
// the case is missing for one; where neither is known, and there is no more to say of the code,
// Doc says it.
func TestAdviceFollowsWhatWasObserved(t *testing.T) {
	for _, op := range All() {
		m := &mutate.Mutant{Op: op}
		_, doc, _ := strings.Cut(op.Doc, "\n\n")
		input, outcome := mutate.Advice(m, nil, same("$a", "1")), mutate.Advice(m, nil, differs)
		if said := mutate.Advice(m, nil, mutate.Seen{Word: mutate.Unasserted}); !strings.HasPrefix(said, "A call that the tests make has another outcome") ||
			!strings.HasSuffix(said, cmp.Or(op.Outcome, doc)) {
			t.Errorf("%s: where a call of the tests tells: %q", op.ID, said)
		}
		if said := mutate.Advice(m, nil, mutate.Seen{Word: mutate.Absorbed}); strings.Contains(said, "Assert") || !strings.Contains(said, "hides it") {
			t.Errorf("%s: where it is absorbed: %q", op.ID, said)
		}
		switch {
		case mutate.Advice(m, nil, notCompare) != doc, mutate.Advice(m, nil, mutate.Seen{}) != doc:
			t.Errorf("%s: Doc is not said", op.ID)
		case op.Input == "" && (input != doc || outcome != doc):
			t.Errorf("%s: Doc is not said where values cannot be compared", op.ID)
		case op.Input != "" && (input != op.Input || !strings.HasSuffix(outcome, op.Outcome) || strings.Contains(outcome, op.Input)):
			t.Errorf("%s: got %q and %q", op.ID, input, outcome)
		}
	}
}
