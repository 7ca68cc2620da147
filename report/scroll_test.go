package report

import (
	"bytes"
	"encoding/json"
	"flag"
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
// each, how high what it shows is, and the processor time of the page's thread.
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
	b.call("Performance.enable", map[string]any{"timeDomain": "threadTicks"}, nil)
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
// many frames took more than 50 ms. busy-ms is the processor time that the
// page's thread took for a frame, which other processes disturb least. With
// -benchtime 1x the page has a tenth of the files, and each film is a tenth as long.
func BenchmarkScroll(b *testing.B) {
	once := flag.Lookup("test.benchtime").Value.String() == "1x"
	size := manyAndLong()
	if once {
		size = size[:30] // .ci/run wants to know that it works
	}
	file := pageOf(b, madeUp(size))
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
	frames := func(n int) int {
		if once {
			return n / 10
		}
		return n
	}
	const long = `#status=open&file=src/Quay0.php`
	for _, c := range []struct{ name, address, script string }{
		{"list", "#", filmScript(".files", frames(60), `pane.scrollTop += 120`)},
		{"source", long, filmScript("main", frames(100), `pane.scrollTop += 120`)},
		{"drag", long, filmScript("main", frames(40), `pane.scrollTop = pane.scrollHeight * i / 40`)},
		{"next", long, filmScript("main", frames(200), `press("n")`)},
		{"file", "#", filmScript("main", frames(20), `press("]")`)},
	} {
		b.Run(c.name, func(b *testing.B) {
			var f, e film
			for b.Loop() {
				page.run(fmt.Sprintf("await show(%q)", c.address), nil)
				f = page.shoot(c.script)
				e = empty.replay(f)
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
func (b *tab) replay(f film) film {
	b.t.Helper()
	tops, err := json.Marshal(f.Tops)
	if err != nil {
		b.t.Fatal(err)
	}
	b.run(fmt.Sprintf(`window.tops = %s; document.querySelector("main div").style.height = "%vpx"; await settled();`, tops, f.Height), nil)
	return b.shoot(filmScript("main", len(f.Tops), `pane.scrollTop = tops[i]`))
}

// What is held is what became of a page while its first file, the longest, was
// gone through: the most of each at any time.
type held struct {
	Start  int   // elements of the whole page before a file is chosen
	Texts  int   // lines of the file whose text is there
	Parts  int   // of the file
	Laid   int   // of them that have lines in colours and are laid out
	Rows   int   // lines in colours
	Source int   // elements of the file
	Steps  []int // elements that each step made and took away, all over the page
	List   int   // changes that steps made to the list of files

	Tab     bool // the focus goes into a part that was not in colours
	Printed int  // lines in colours when the page is printed
}

// What the page holds does not grow with the mutants or with the length of the
// file that is shown, but for one element for some rows; what a step to the
// next survivor makes and takes away is bounded, and so is what is laid out.
func TestPageHoldsWhatIsSeen(t *testing.T) {
	look := func(lines, others int) (h held) {
		p := tabOf(t, wide)
		p.visit("file://"+pageOf(t, madeUp(append([]int{lines}, slices.Repeat([]int{others}, 99)...))), filming+holding)
		p.run(`while (!window.painted) await frame(); return await hold()`, &h)
		return h
	}
	few, many := look(900, 20), look(9000, 510) // 993 and 19,830 mutants
	t.Logf("\n%+v\n%+v", few, many)
	if few.Start != many.Start {
		t.Errorf("the page has %d elements with few mutants and %d with many", few.Start, many.Start)
	}
	for lines, h := range map[int]held{900: few, 9000: many} {
		if h.Texts != lines {
			t.Errorf("the text of %d lines is there, want %d", h.Texts, lines)
		}
		if h.Laid < 1 || h.Laid > 8 || h.Rows > 400 || h.Source-h.Parts > 6000 {
			t.Errorf("of %d lines %d have colours, in %d elements; %d parts are laid out", lines, h.Rows, h.Source, h.Laid)
		}
		// Most steps lead to what is filled. Others fill a part, and the one before it is emptied.
		slices.Sort(h.Steps)
		if half, most := h.Steps[len(h.Steps)/2], h.Steps[len(h.Steps)-1]; half < 10 || half > 200 || most > 4000 {
			t.Errorf("of %d lines, a step makes and takes away %d elements, and up to %d", lines, half, most)
		}
		if !h.Tab {
			t.Errorf("of %d lines, Tab does not lead into a part that is far from what is seen", lines)
		}
		if h.Printed != lines+5 {
			t.Errorf("of %d lines %d are printed in colours, want %d", lines, h.Printed, lines+5)
		}
		if h.List > 0 {
			t.Errorf("steps in one file change the list of files %d times", h.List)
		}
	}
}

const holding = `
const all = selector => [...document.querySelectorAll(selector)];
async function hold() {
  const f = {Start: all("*").length, Steps: []}, source = document.getElementById("p:source"), main = document.querySelector("main");
  await show("#file=src/Quay0.php");
  f.Parts = all(".part").length;
  f.Texts = new Set(source.textContent.match(/of ship \d{6}/g)).size;
  const most = (name, n) => { f[name] = Math.max(f[name] || 0, n); };
  const look = () => {
    most("Laid", all(".part:not(.plain)").filter(e => e.firstElementChild.checkVisibility({contentVisibilityAuto: true})).length);
    most("Rows", all(".l").length);
    most("Source", source.querySelectorAll("*").length);
  };
  let changes = [];
  const seen = new MutationObserver(records => changes.push(...records)), list = document.getElementById("p:files");
  seen.observe(document.body, {subtree: true, childList: true, attributes: true});
  f.List = 0;
  const size = nodes => [...nodes].reduce((n, e) => n + (e.querySelectorAll ? 1 + e.querySelectorAll("*").length : 0), 0);
  for (let i = 0; i < 60; i++) {
    changes = [];
    press("n");
    await frame(); await frame();
    let n = 0;
    for (const r of changes) { n += size(r.addedNodes) + size(r.removedNodes); if (list.contains(r.target)) f.List++; }
    f.Steps.push(n);
    look();
  }
  for (let i = 0; i <= 20; i++) { main.scrollTop = main.scrollHeight * i / 20; await frame(); await frame(); look(); }
  await settled();
  look();
  const part = all(".plain[tabindex]").at(-1);
  if (part) part.focus();
  f.Tab = !!part && part.contains(document.activeElement) && document.activeElement.matches("a,button") && !part.matches(".plain");
  dispatchEvent(new Event("beforeprint"));
  f.Printed = all(".l").length;
  return f;
}
`

// A file is printed whole: 600 lines and the changes between them need more
// than ten sheets of paper.
func TestPageIsPrintedWhole(t *testing.T) {
	p := tabOf(t, wide)
	p.visit("file://"+pageOf(t, madeUp([]int{600})), filming)
	p.run(`while (!window.painted) await frame(); await show("#file=src/Quay0.php")`, nil)
	var printed struct{ Data []byte }
	p.call("Page.printToPDF", nil, &printed)
	if n := bytes.Count(printed.Data, []byte("/Type /Page\n")); n < 10 {
		t.Errorf("%d sheets", n)
	}
}
