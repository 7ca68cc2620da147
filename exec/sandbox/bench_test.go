//go:build linux

package sandbox

import (
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// The cost, per mutant, of a view: a file swapped and put back, and the look
// for damage; for a project of so many files of 4 kB, when few of them were ever
// swapped, and when all were (as for a recording).

func init() {
	cases["bench"] = func(k insideT, arg string) {
		f := strings.Fields(arg)
		rounds, err := strconv.Atoi(f[0])
		k.must(err)
		files, err := strconv.Atoi(f[1])
		k.must(err)
		if f[2] == "all" {
			every := map[string][]byte{}
			for i := range files {
				every[benchFile(i)] = []byte("<?php\n")
			}
			k.must(k.v.Swap(every))
			k.must(k.v.Restore())
		}
		text := []byte("<?php " + strings.Repeat("// mutant\n", 400))
		var swap, restore, damage time.Duration
		once := func(i int) {
			a := time.Now()
			k.must(k.v.Swap(map[string][]byte{benchFile(i % 20): text}))
			b := time.Now()
			k.must(k.v.Restore())
			c := time.Now()
			list, err := k.v.Damage()
			k.must(err)
			if len(list) > 0 {
				k.fatalf("%v", list)
			}
			swap, restore, damage = swap+b.Sub(a), restore+c.Sub(b), damage+time.Since(c)
		}
		for i := range 20 {
			once(i)
		}
		swap, restore, damage = 0, 0, 0
		cpu := cpuNow(k)
		for i := range rounds {
			once(i)
		}
		cpu = cpuNow(k) - cpu
		var strays time.Duration
		a := time.Now()
		for range rounds {
			_, err := KillStrays(func(int) bool { return true })
			k.must(err)
		}
		strays = time.Since(a)
		n := time.Duration(rounds)
		fmt.Println((swap / n).Nanoseconds(), (restore / n).Nanoseconds(), (damage / n).Nanoseconds(), (strays / n).Nanoseconds(), (cpu / n).Nanoseconds())
	}
}

// cpuNow is the processor time this process has used: unlike the clock's it
// says something on a busy machine.
func cpuNow(k insideT) time.Duration {
	var u unix.Rusage
	k.must(unix.Getrusage(unix.RUSAGE_SELF, &u))
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

func benchFile(i int) string { return fmt.Sprintf("src/Part%d/File%d.php", i/20, i) }

func BenchmarkView(b *testing.B) {
	for _, files := range []int{300, 3000} {
		root := b.TempDir()
		for i := range files {
			p := filepath.Join(root, benchFile(i))
			if err := os.MkdirAll(filepath.Dir(p), 0o755); err != nil {
				b.Fatal(err)
			}
			if err := os.WriteFile(p, []byte("<?php "+strings.Repeat("// original\n", 340)), 0o644); err != nil {
				b.Fatal(err)
			}
		}
		for _, mode := range []Mode{Overlay, Copy} {
			for _, touched := range []string{"few", "all"} {
				b.Run(fmt.Sprintf("%v/files=%d/swapped=%s", mode, files, touched), func(b *testing.B) {
					start := time.Now()
					runInside(b, Spec{Mode: mode, Root: root, Dir: b.TempDir()}, "noop", nil)
					open := time.Since(start)
					b.ResetTimer()
					out := runInside(b, Spec{Mode: mode, Root: root, Dir: b.TempDir()},
						fmt.Sprintf("bench %d %d %s", b.N, files, touched), nil)
					var swap, restore, damage, strays, cpu float64
					if _, err := fmt.Sscan(out, &swap, &restore, &damage, &strays, &cpu); err != nil {
						b.Fatalf("%q: %v", out, err)
					}
					b.ReportMetric(swap+restore+damage, "ns/op")
					b.ReportMetric(cpu, "cpu-ns/op")
					b.ReportMetric(swap, "swap-ns")
					b.ReportMetric(restore, "restore-ns")
					b.ReportMetric(damage, "damage-ns")
					b.ReportMetric(strays, "strays-ns")
					b.ReportMetric(float64(open.Microseconds()), "open-µs")
				})
			}
		}
	}
}
