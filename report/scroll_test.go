package report

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"testing"
)

// manyAndLong is 20,043 mutants in 300 files. The first file has 9,000 lines
// with 3,000 of them, of which 1,200 survived.
func manyAndLong() []int { return append([]int{9000}, slices.Repeat([]int{170}, 299)...) }

// filming is what both pages have before they load. filmed does something in
// each of n frames and gives how long each frame took.
const filming = `
addEventListener("load", () => requestAnimationFrame(() => requestAnimationFrame(() => { window.painted = performance.now(); })));
const frame = () => new Promise(requestAnimationFrame);
const press = key => document.activeElement.dispatchEvent(new KeyboardEvent("keydown", {key, bubbles: true, cancelable: true}));
async function filmed(n, act) {
  const took = [];
  let last = await frame();
  for (let i = 0; i < n; i++) {
    act(i);
    const now = await frame();
    took.push(now - last);
    last = now;
  }
  return took;
}
async function settled() { for (let i = 0; i < 20; i++) await frame(); }
async function show(address) { location.hash = address; await settled(); }
`

// A film is how long the frames took in milliseconds, where the pane stood in
// each, how high what it shows is, and how long the page's thread was at work.
type film struct {
	Took, Tops []float64
	Height     float64
	busy       float64 // a frame
}

// shoot runs a script that gives a film.
func (b *tab) shoot(script string) (f film) {
	b.t.Helper()
	before := b.metric("TaskDuration")
	b.run(script, &f)
	f.busy = 1000 * (b.metric("TaskDuration") - before) / float64(len(f.Took))
	return f
}

func (b *tab) metric(name string) float64 {
	b.t.Helper()
	var got struct {
		Metrics []struct {
			Name  string
			Value float64
		}
	}
	b.call("Performance.enable", nil, nil)
	b.call("Performance.getMetrics", nil, &got)
	for _, m := range got.Metrics {
		if m.Name == name {
			return m.Value
		}
	}
	b.t.Fatalf("the browser has no figure %s", name)
	return 0
}

func (f *film) share(part float64) float64 {
	took := slices.Sorted(slices.Values(f.Took))
	return took[min(int(part*float64(len(took))), len(took)-1)]
}

// filmScript scrolls the pane that a selector names, or does something else
// that moves it, in each of n frames.
func filmScript(pane string, n int, act string) string {
	return fmt.Sprintf(`const pane = document.querySelector(%q), Tops = [];
		const Took = await filmed(%d, i => { %s; Tops.push(pane.scrollTop); });
		return {Took, Tops, Height: pane.scrollHeight};`, pane, n, act)
}

// BenchmarkScroll opens a page of 20,000 mutants, scrolls it, and goes through
// it by keys, as a reader sees it. Each part is repeated on an empty page of
// the same length that stands where the page stood, so that the ratios are
// those of one run: times-empty is that of the 95th percentiles. over-50 is how
// many frames took more than 50 ms.
func BenchmarkScroll(b *testing.B) {
	file := pageOf(b, madeUp(manyAndLong()))
	blank := filepath.Join(b.TempDir(), "blank.html")
	if err := os.WriteFile(blank, []byte(`<!DOCTYPE html><title>empty</title><body style="margin:0"><main style="height:100vh;overflow:auto"><div></div></main>`), 0o644); err != nil {
		b.Fatal(err)
	}
	page, empty := tabOf(b, wide), tabOf(b, wide)
	empty.visit("file://"+blank, filming)
	empty.run("await settled()", nil)
	b.Run("open", func(b *testing.B) {
		var got struct{ Ready, Painted float64 }
		for b.Loop() {
			page.visit("file://"+file, filming)
			page.run(`while (!window.painted) await frame(); return {Ready: +document.documentElement.dataset.ready.split(" ")[1], Painted: window.painted}`, &got)
		}
		b.ReportMetric(0, "ns/op")
		b.ReportMetric(got.Ready, "ready-ms")
		b.ReportMetric(got.Painted, "painted-ms")
	})
	const long = `#status=open&file=src/Quay0.php`
	for _, c := range []struct{ name, address, script string }{
		{"list", "#", filmScript(".files", 120, `pane.scrollTop += 120`)},
		{"source", long, filmScript("main", 120, `pane.scrollTop += 120`)},
		{"drag", long, filmScript("main", 60, `pane.scrollTop = pane.scrollHeight * i / 60`)},
		{"next", long, filmScript("main", 200, `press("n")`)},
		{"file", "#", filmScript("main", 40, `press("]")`)},
	} {
		b.Run(c.name, func(b *testing.B) {
			var f, e film
			for b.Loop() {
				page.run(fmt.Sprintf("await show(%q)", c.address), nil)
				f = page.shoot(c.script)
				e = empty.shoot(replay(b, f))
			}
			b.ReportMetric(0, "ns/op")
			b.ReportMetric(f.share(0.5), "median-ms")
			b.ReportMetric(f.share(0.95), "p95-ms")
			b.ReportMetric(f.share(1), "worst-ms")
			b.ReportMetric(f.share(0.95)/e.share(0.95), "times-empty")
			b.ReportMetric(float64(f.over(50)), "over-50")
			b.ReportMetric(f.busy, "busy-ms")
			b.ReportMetric(e.busy, "empty-busy-ms")
		})
	}
}

func (f *film) over(ms float64) (n int) {
	for _, t := range f.Took {
		if t > ms {
			n++
		}
	}
	return n
}

// replay scrolls an empty page to where another stood.
func replay(t testing.TB, f film) string {
	tops, err := json.Marshal(f.Tops)
	if err != nil {
		t.Fatal(err)
	}
	return fmt.Sprintf(`const tops = %s; document.querySelector("main div").style.height = "%vpx"; await settled();`, tops, f.Height) +
		filmScript("main", len(f.Tops), `pane.scrollTop = tops[i]`)
}
