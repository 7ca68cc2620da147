package operators_test

import (
	"encoding/base64"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"assay/mutate"
	"assay/mutate/syntax/syntaxtest"
	"assay/operators"
)

// TestSchemataAreTheMutants asks nikic/PHP-Parser (Debian's php-parser, 4.15), an
// independent reader, about schemata of a corpus: with the choices made for a
// mutant their tree is the mutant's own, on the same lines, and with none made the
// original's (testdata/oracle/schemata.php says what that means).
func TestSchemataAreTheMutants(t *testing.T) {
	php, err := syntaxtest.NewTokenizer(t.TempDir())
	if err != nil {
		t.Fatalf("this test needs PHP: %v", err)
	}
	defer php.Close()
	ask := startSchemataOracle(t)
	fixtures, others := corpus(t)
	awkward := filepath.Join(t.TempDir(), "awkward.php")
	if err := os.WriteFile(awkward, []byte(awkwardCode), 0o600); err != nil {
		t.Fatal(err)
	}
	fixtures = append(fixtures, awkward)
	limit, perFile := 6*time.Second, 60
	if os.Getenv("PHP_CORPUS") != "" {
		limit, perFile = 20*time.Minute, 400
	}
	random := rand.New(rand.NewPCG(5, 6))
	start, files, asked, kinds := time.Now(), 0, 0, map[mutate.PlaceKind]int{}
	for i, path := range slices.Concat(fixtures, others) {
		if i >= len(fixtures) && time.Since(start) > limit {
			break
		}
		points, ms := placedMutants(t, php, path)
		random.Shuffle(len(ms), func(i, j int) { ms[i], ms[j] = ms[j], ms[i] })
		if path != awkward {
			ms = ms[:min(len(ms), perFile)]
		}
		if len(ms) == 0 {
			continue
		}
		answers, list := ask(path, points, ms)
		if answers == nil { // one of them is not PHP, or the file is newer than the reader
			for _, m := range ms {
				one, l := ask(path, points, []mutate.Numbered{m})
				answers, list = append(answers, one...), append(list, l...)
			}
		}
		files++
		for k, a := range answers {
			if list[k].Number > 0 {
				kinds[list[k].Place.Kind]++
				asked++
			}
			if a != "" && !strings.HasPrefix(a, "parse: ") {
				t.Errorf("%s: %s: %q -> %q: %s", path, list[k].ID, list[k].Before(), list[k].Edit.New, a)
			}
		}
	}
	t.Logf("%d files, %d mutants: statements, bodies, conditions, expressions, elements, arms %v", files, asked, kinds)
	for _, kind := range []mutate.PlaceKind{mutate.Statement, mutate.Body, mutate.Condition, mutate.Expression, mutate.Element, mutate.Arm} {
		if kinds[kind] < 8 {
			t.Errorf("only %d mutants of kind %d were asked about", kinds[kind], kind)
		}
	}
}

// awkwardCode has statements where a choice does not simply fit in.
const awkwardCode = `<?php
namespace Shunting;

function route(array $wagons, ?Engine $engine, int &$count): ?string
{
    if (!$wagons) return null; else if ($engine === null) return 'waits'; elseif ($count > 3) $count -= 3;
    foreach ($wagons as $k => &$wagon) if ($wagon['kind'] === 'tank') $wagon['speed'] = min(80, $wagon['speed'] - 20);
    unset($wagon);
    for ($i = 0; $i < 3; $i++) $count += $i;
    while ($count > 10) $count--;
    do $count++; while ($count < 2);
    if ($engine?->isHot()): $count = 0; else: $count = 1; endif;
    switch ($count) { case 1: $engine->ring(); break; case 2: $engine->whistle(1 + 2); default: echo 'none', "\n"; }
    $pull = function (int $n = 2) use (&$count) { if ($n > 1) return $n * 2; $count = $n; };
    $push = fn (int $n): int => $n > 1 && $n < 9 ? -$n : $n + 1;
    $label = match (true) {
        $count > 2 && $count < 5 => 'short ' . $count,
        $pull(1 + 1) === null, $push(3) > 2 => trim(' long '),
        default => throw new \LogicException('no ' . 'label'),
    };
    [$a, [$b, 'c' => $c]] = [1 + 1, [2 * 3, 'c' => !$count]];
    $engine->couple(
        $a + $b,
        name: 'W' . $c,
        list: [
            'x' => $a - 1,
            'y' => &$count,
            strtolower($label),
            'loads' => [[1, 2]],
            'holds' => [[[3], 4], [5]],
        ],
        back: $engine->isHot(),
    );
    static $seen = 0;
    $seen += 1;
    try { $engine->go($a > 0); } catch (\Exception $e) { $count = -1; throw $e; } finally { $count *= 2; }
    return $count ?: ($label ?? 'none');
}

function halves(int $n): iterable { while ($n > 1) yield $n = intdiv($n, 2); if ($n === 1) { yield 1; return 2; } }
`

// placedMutants gives a file's mutants that may be part of schemata, with numbers.
func placedMutants(t *testing.T, php *syntaxtest.Tokenizer, path string) (*mutate.Points, []mutate.Numbered) {
	f := treeOf(t, php, path)
	source := &mutate.Source{Path: path, Text: f.Src}
	points := mutate.Layout(f, source, 1)
	var out []mutate.Numbered
	for i, m := range mutate.Generate(f, source, operators.All(), points) {
		if m.Place.Kind != mutate.NoPlace {
			out = append(out, mutate.Numbered{Mutant: m, Number: i + 1})
		}
	}
	return points, out
}

// startSchemataOracle starts the script. The function gives the mutants that are
// in the schemata, and one without a mutant for the original, and for each of
// them "" or what is wrong; nil when a text is refused.
func startSchemataOracle(t *testing.T, flags ...string) func(path string, p *mutate.Points, ms []mutate.Numbered) ([]string, []mutate.Numbered) {
	ask := startScript(t, "php", "schemata.php", flags...)
	return func(path string, p *mutate.Points, ms []mutate.Numbered) ([]string, []mutate.Numbered) {
		s := p.Combine(ms)
		var list []mutate.Numbered
		rows := [][5]any{}
		for _, m := range ms {
			if place, ok := s.Places[m.Number]; ok {
				list = append(list, m)
				rows = append(rows, [5]any{m.Edit.Start, m.Edit.End, base64.StdEncoding.EncodeToString([]byte(m.Edit.New)), m.Number, place})
			}
		}
		answers := ask(path, len(list)+1, map[string]any{"path": path, "schemata": base64.StdEncoding.EncodeToString(s.Text), "mutants": rows})
		if answers == nil {
			return nil, nil
		}
		original := &mutate.Mutant{ID: "the original", Source: &mutate.Source{Path: path}}
		return answers, append(list, mutate.Numbered{Mutant: original})
	}
}
