//go:build linux

package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"net"
	"os"
	osexec "os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"assay/exec/pool"
	"assay/mutate"
)

// BenchmarkPoolMemory prints how much memory a run takes at most (its peak resident set, or that of
// the largest process that it started) that gives mutants to a pool whose workers judge nothing and
// say at once that all are killed, with a text about each that is as long as there are (400 bytes). ASSAY_POOL_MUTANTS is how
// many mutants there are, 2,000 without it; with 200,000 it must be less than 1 GB.
func BenchmarkPoolMemory(b *testing.B) {
	number := 2000
	if text := os.Getenv("ASSAY_POOL_MUTANTS"); text != "" {
		var err error
		if number, err = strconv.Atoi(text); err != nil {
			b.Fatal(err)
		}
	}
	for b.Loop() {
		base := b.TempDir()
		code := filepath.Join(base, "code")
		writeLarge(b, code, number)
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			b.Fatal(err)
		}
		address := l.Addr().String()
		l.Close()
		var out bytes.Buffer
		cmd := osexec.Command("assay", "run", "--fresh", "--breadth", "wide", "--no-observe", "--sample", fmt.Sprint(number), "--pool-listen", address, "--write", "json="+filepath.Join(base, "result.json"))
		cmd.Dir, cmd.Stdout, cmd.Stderr = code, &out, &out
		cmd.Env = append(os.Environ(), "XDG_CACHE_HOME="+base, "TMPDIR="+base, "NO_COLOR=1")
		if err := cmd.Start(); err != nil {
			b.Fatal(err)
		}
		ctx, cancel := context.WithCancel(b.Context())
		go sayKilled(ctx, address)
		err = cmd.Wait()
		cancel()
		said := regexp.MustCompile(`at-once judged (\d+) mutants`).FindStringSubmatch(out.String())
		if err != nil || said == nil {
			b.Fatalf("%v\n%s", err, &out)
		}
		judged, _ := strconv.Atoi(said[1])
		if judged < number*9/10 { // few are for the run itself: no test passes them
			b.Errorf("the pool has judged %d mutants of %d", judged, number)
		}
		peak := cmd.ProcessState.SysUsage().(*syscall.Rusage).Maxrss // kilobytes
		b.ReportMetric(float64(peak)/1000, "peak-MB")
		b.ReportMetric(float64(judged), "mutants")
		if limit := max(400_000, 5*number); int(peak) > limit {
			b.Errorf("%d kB for %d mutants, at most %d", peak, number, limit)
		}
	}
}

// sayKilled is a worker that judges nothing.
func sayKilled(ctx context.Context, address string) {
	c, err := pool.Connect(ctx, pool.Access{URL: "nats://" + address}, "test", func(error) {})
	if err != nil {
		return // the run waits for it, and says so
	}
	defer c.Close()
	w := &pool.Worker{Name: "at-once", Tell: func(string) {}, Prepare: func(context.Context, *pool.Run, pool.Fetch) (pool.Bench, error) { return atOnce{}, nil }}
	w.Work(ctx, c)
}

type atOnce struct{}

func (atOnce) Work(ctx context.Context, feed pool.Feed, each func(pool.Record)) error {
	for n := 0; ; {
		items := feed(ctx, true)
		if len(items) == 0 {
			return ctx.Err()
		}
		for _, id := range items {
			n++
			detail := fmt.Sprint("Failed asserting that 1 is 2 ", n, strings.Repeat(" and more", 40))
			text, err := json.Marshal(storedLine{ID: id, Status: mutate.Killed.String(), How: mutate.Assertion.String(), Killer: "C0Test::testAll", Detail: detail, Ran: 1, Micros: time.Second.Microseconds()})
			if err != nil {
				return err
			}
			each(pool.Record{Item: id, Data: text})
		}
	}
}

func (atOnce) Drop([]string, int) []string { return nil }

func (atOnce) Close() error { return nil }

// writeLarge writes a project with a number of mutants at least, all of which tests pass.
func writeLarge(b *testing.B, root string, number int) {
	b.Helper()
	write := func(name, text string) {
		path := filepath.Join(root, name)
		err := os.MkdirAll(filepath.Dir(path), 0o755)
		if err == nil {
			err = os.WriteFile(path, []byte(text), 0o644)
		}
		if err != nil {
			b.Fatal(err)
		}
	}
	const methods, each = 40, 30 // mutants of a method, at least
	files := number/(methods*each) + 1
	write("phpunit.xml", `<?xml version="1.0"?><phpunit bootstrap="load.php"><testsuites><testsuite name="all"><directory>tests</directory></testsuite></testsuites><source><include><directory>src</directory></include></source></phpunit>`)
	write("load.php", "<?php\nspl_autoload_register(function (string $class) { if (is_file($file = __DIR__ . \"/src/$class.php\")) require $file; });\n")
	for n := range files {
		var src, test strings.Builder
		fmt.Fprintf(&src, "<?php\nfinal class C%d\n{\n", n)
		for m := range methods {
			fmt.Fprintf(&src, "    public function m%d(int $a, int $b): int\n    {\n        if ($a > $b + %d && $b !== %d) {\n            return $a * 2 - $b;\n        }\n        return $b - $a + %d;\n    }\n\n", m, m, m, m)
			fmt.Fprintf(&test, "        $c->m%d(900, 80) + $c->m%d(1, 2);\n", m, m)
		}
		fmt.Fprint(&src, "}\n")
		write(fmt.Sprintf("src/C%d.php", n), src.String())
		write(fmt.Sprintf("tests/C%dTest.php", n), fmt.Sprintf("<?php\nfinal class C%dTest extends PHPUnit\\Framework\\TestCase\n{\n    public function testAll(): void\n    {\n        $c = new C%d;\n%s        $this->assertIsObject($c);\n    }\n}\n", n, n, &test))
	}
}
