package report

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"html"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"assay/mutate"
)

// chromiumFor gives the browser, or ends the test where there is none.
func chromiumFor(t testing.TB) string {
	t.Helper()
	if testing.Short() {
		t.Skip("a browser tells the race detector nothing; the whole run has this")
	}
	chromium, err := exec.LookPath("chromium")
	if err != nil {
		if os.Getenv("CI") != "" {
			t.Fatal("chromium is missing, and nothing else runs the page's script")
		}
		t.Skip("chromium is not installed")
	}
	return chromium
}

func browserFlags(t testing.TB) []string {
	return []string{"--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
		"--disable-component-update", "--disable-sync", "--user-data-dir=" + t.TempDir()}
}

// browse opens a file in Chromium and gives what the page has become, or with
// a screenshot in args nothing.
func browse(t *testing.T, file, fragment string, args ...string) string {
	t.Helper()
	chromium := chromiumFor(t)
	ctx, cancel := context.WithTimeout(t.Context(), 90*time.Second)
	defer cancel()
	cmd := exec.CommandContext(ctx, chromium, append(append(browserFlags(t), args...), "file://"+file+fragment)...)
	var out, errs bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &errs
	if err := cmd.Run(); err != nil {
		t.Fatalf("chromium: %v\n%s", err, &errs)
	}
	return out.String()
}

func pageOf(t testing.TB, r *mutate.Result) string {
	t.Helper()
	file := filepath.Join(t.TempDir(), "page.html")
	if err := os.WriteFile(file, printed(t, formatOf(t, "html"), r, Options{}), 0o644); err != nil {
		t.Fatal(err)
	}
	return file
}

// ask opens the page at an address in a window of a size, runs the body of a
// function in it, and gives what this returns.
func ask[T any](t *testing.T, file, address, size, script string, args ...string) (answer T) {
	t.Helper()
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	text = bytes.Replace(text, []byte(`style-src 'unsafe-inline'">`), []byte(`style-src 'unsafe-inline'; script-src 'unsafe-inline'">`), 1) // a page without a script allows none
	asking := filepath.Join(t.TempDir(), "asked.html")
	text = bytes.Replace(text, []byte("</body>"), []byte(`<script>
const all = selector => [...document.querySelectorAll(selector)];
const put = (id, value) => { const e = document.getElementById("p:" + id); if (e.type === "checkbox") e.checked = value; else e.value = value; e.dispatchEvent(new Event(id === "text" ? "input" : "change", {bubbles: true})); };
const press = key => document.activeElement.dispatchEvent(new KeyboardEvent("keydown", {key, bubbles: true, cancelable: true}));
const wait = ms => new Promise(done => setTimeout(done, ms));
const shown = () => all(".spot a[data-at]").map(a => a.dataset.at);
const focus = () => document.activeElement.dataset.at || document.activeElement.id;
addEventListener("load", async () => {
  let answer;
  try { answer = await (async () => {`+script+`})(); } catch (e) { answer = "" + e; }
  document.documentElement.dataset.answer = JSON.stringify(answer);
});
</script></body>`), 1)
	if err := os.WriteFile(asking, text, 0o644); err != nil {
		t.Fatal(err)
	}
	dom := browse(t, asking, address, append(args, "--virtual-time-budget=60000", "--window-size="+size, "--dump-dom")...)
	m := regexp.MustCompile(`data-answer="([^"]*)"`).FindStringSubmatch(dom)
	if m == nil {
		t.Fatalf("the page gives no answer:\n%.2000s", dom)
	}
	if err := json.Unmarshal([]byte(html.UnescapeString(m[1])), &answer); err != nil {
		t.Fatalf("%v: %s", err, m[1])
	}
	return answer
}

// askEach is ask for many scripts, each on the page as it is when it is opened
// at its address, without a browser for each.
func askEach[T any](t *testing.T, file, size string, scripts map[string][2]string) map[string]T {
	t.Helper()
	var b strings.Builder
	b.WriteString(`const answers = {};
		const visit = async address => {
			for (const d of all("dialog[open]")) d.close();
			if (!document.getElementById("p:choices").hidden) document.getElementById("p:filter").click();
			document.activeElement.blur();
			history.replaceState(null, "", location.pathname + address);
			dispatchEvent(new HashChangeEvent("hashchange"));
			await wait(10);
			document.activeElement.blur();
		};`)
	for name, s := range scripts {
		fmt.Fprintf(&b, "await visit(%q); answers[%q] = await (async () => {%s})();\n", s[0], name, s[1])
	}
	return ask[map[string]T](t, file, "", size, b.String()+"return answers;")
}

const wide, middle, phone = "1400,900", "1000,800", "420,900"

func TestPageBeginsWithWhatToFix(t *testing.T) {
	dom := browse(t, pageOf(t, fixture(t)), "", "--dump-dom")
	for _, want := range []string{"What to fix first", `<a href="#fits-le-3a">Ferry::fits</a>`, "1 survives",
		`<code class="a">return $cars <s>&lt;= self</s>::DECK &amp;&amp; $metres &lt; 4.5;</code>`, "No test runs line 25. Begin with a test that calls it", "lines 14 to 16 cannot be read"} {
		if !strings.Contains(dom, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	if n := ask[int](t, pageOf(t, fixture(t)), "", wide, `return all("[data-at],.l").length`); n != 0 {
		t.Error("a source is shown before one was chosen")
	}
}

// A file is shown whole, with what survived in place.
func TestPageShowsAFile(t *testing.T) {
	type view struct {
		Lines int
		Was   []string
		Spots [][]string
		Marks []string
	}
	got := ask[view](t, pageOf(t, fixture(t)), "#file=src/Ferry.php", wide, `return {
		Lines: all(".l").length,
		Was: all(".l.was").map(l => l.querySelector(".n").textContent + l.querySelector("code").textContent),
		Spots: all(".spot").map(s => [...s.querySelectorAll("p,.now")].map(l => l.textContent)),
		Marks: all("button.m").map(b => b.title),
	}`)
	want := view{Lines: strings.Count(ferry, "\n") + 1,
		Was: []string{"9        return $cars <= self::DECK && $metres < 4.5;", "14        if ($knots > 40) {", "15            return 90;", "16        }", "17"},
		Spots: [][]string{{"fits-le-3a+        return $cars < self::DECK && $metres < 4.5;"}, {"delay-return-d2removed"},
			{"No test runs line 25: 1 mutant unreached. What to writeShow the changes"}},
		Marks: []string{"Line 9: 2 mutants, 1 survived", "Line 14: 2 mutants, 1 survived", "Line 18: 1 mutant, none survived", "Line 20: 1 mutant, none survived", "Line 25: 2 mutants, 1 unreached"}}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
	marked := ask[[]string](t, pageOf(t, fixture(t)), "#file=src/Ferry.php", wide, `return all(".l.was s, .now u").map(e => e.tagName + e.textContent)`)
	if want := "S<= self U< self"; !strings.HasPrefix(strings.Join(marked, " "), want) {
		t.Errorf("marked %q, want %s", marked, want)
	}
	bytes := ask[[]string](t, pageOf(t, fixture(t)), "#lamp-text-77", wide, `return all(".l.was code, .now code").map(e => e.textContent)`)
	if want := []string{`function lamp(): string { return "Br\xFCcke\x1B[31m"; }`, `function lamp(): string { return ''; }`}; !slices.Equal(bytes, want) {
		t.Errorf("%q, want %q", bytes, want)
	}
}

// A link to a mutant leads to it, whatever became of it, with the focus on it
// and what to write beside; one that leads nowhere says so.
func TestPageFollowsItsAddress(t *testing.T) {
	type view struct {
		Focus, Beside, Lost string
		Inside, InView      bool
	}
	const look = `await wait(100); const e = document.activeElement.getBoundingClientRect();
		return {Focus: focus(), Beside: document.getElementById("p:beside").hidden ? "" : document.getElementById("p:beside").innerText, Lost: document.getElementById("p:lost").textContent,
			Inside: document.getElementById("p:source").contains(document.getElementById("p:beside")), InView: e.top >= 0 && e.bottom <= innerHeight}`
	far := pageOf(t, many(300))
	for _, c := range []struct{ file, address, size, focus, beside, lost string }{
		{"", "#fits-le-3a", wide, "fits-le-3a", "Add a case in which both sides are equal.", ""},
		{"", "#fits-le-3a", middle, "fits-le-3a", "'full, </script>\\x1B[31m' => [true, 24, \"Br\\xFCcke\"],", ""},
		{"", "#fits-le-3a", phone, "fits-le-3a", "This pins what the code does today. Is that right?", ""},
		{"", "#at=fits-le-3a", middle, "fits-le-3a", "4 tests run this and pass", ""},
		{"", "#fits-lt-9e", phone, "fits-lt-9e", "Killed by Sound\\Tests\\FerryTest::testFits#a long van (assertion: Failed asserting that true is false.).", ""},
		{"", "#crew-plus-1b", wide, "crew-plus-1b", "No test runs line 25: 1 mutant unreached. Begin with a test", ""},
		{far, "#odd-290", wide, "odd-290", "Line 292", ""},
		{far, "#odd-290", phone, "odd-290", "Line 292", ""},
		{"", "#never-there", wide, "", "", "never-there"},
		{"", "#at=fits-le-3a&status=eaten", wide, "fits-le-3a", "Add a case in which", "eaten"},
		{"", "#file=src/Gone.php", wide, "", "", "src/Gone.php"},
		{"", "#colour=red", wide, "", "", "colour=red"},
	} {
		if c.file == "" {
			c.file = pageOf(t, fixture(t))
		}
		got := ask[view](t, c.file, c.address, c.size, look)
		if c.focus != "" && got.Focus != c.focus || !strings.Contains(got.Beside, c.beside) || (c.beside == "") != (got.Beside == "") ||
			(c.lost == "") != (got.Lost == "") || !strings.Contains(got.Lost, c.lost) {
			t.Errorf("%s: %+v", c.address, got)
		}
		if c.focus != "" && (got.Inside != (c.size != wide) || !got.InView) {
			t.Errorf("%s in %s: advice inside %v, in view %v", c.address, c.size, got.Inside, got.InView)
		}
	}
}

// What the source holds is shown, never run, and nothing is fetched.
func TestPageIsNotObeyed(t *testing.T) {
	r := many(3)
	hostile := `</script><script>document.title='taken'</script><img src=x onerror="document.title='taken'">`
	r.Project, r.Verdicts[0].Mutant.Edit.New = hostile, hostile
	r.Verdicts[1].Mutant.Function = hostile
	r.Verdicts[0].Proof = &mutate.Proof{Test: mutate.TestID(hostile), Kills: []string{hostile}, File: hostile, Path: hostile, Code: hostile, Diff: hostile}
	r.Notes = []mutate.Note{{Kind: "x", Text: hostile}}
	for _, address := range []string{"", "#odd-0", "#odd-1", "#<img src=x onerror=document.title='taken'>"} {
		dom := browse(t, pageOf(t, r), address, "--dump-dom")
		if strings.Contains(dom, "<title>taken") || !strings.Contains(dom, "data-ready") {
			t.Errorf("%s: the text of a mutant was run", address)
		}
	}
	for _, f := range []string{"http://", "https://", "url(", "@import"} {
		if text := string(printed(t, formatOf(t, "html"), fixture(t), Options{})); strings.Contains(text, f) {
			t.Errorf("the page names %s", f)
		}
	}
}

func TestPageWithoutMutants(t *testing.T) {
	dom := browse(t, pageOf(t, &mutate.Result{Project: "empty"}), "", "--dump-dom")
	if !strings.Contains(dom, "There is no mutant to judge") || !strings.Contains(dom, "0 mutants of 0") || !strings.Contains(dom, "data-ready") {
		t.Error("an empty result has no page")
	}
}

// Each filter is in the address, and a page that is opened there shows the same.
func TestPageFilters(t *testing.T) {
	type view struct {
		Count, Address string
		Listed         []string
	}
	const look = `await wait(300); return {Count: document.getElementById("p:count").textContent, Address: location.hash, Listed: all("#p\\:files a b").map(b => b.textContent)}`
	file := pageOf(t, known(t))
	cases := map[string]struct{ script, count, address string }{
		"nothing":        {``, "3 mutants of 10 in 2 files.", ""},
		"status":         {`put("status", "killed");`, "1 mutant of 10 in 1 file.", "#status=killed"},
		"any":            {`put("status", "any");`, "10 mutants of 10 in 2 files.", "#status=any"},
		"class":          {`put("class", "src/lamps.php");`, "1 mutant of 10 in 1 file.", "#class=src/lamps.php"},
		"namespace":      {`put("class", "Sound\\Ferry");`, "2 mutants of 10 in 1 file.", "#class=Sound\\Ferry"},
		"family":         {`put("status", "any"); put("op", "relational");`, "4 mutants of 10 in 2 files.", "#status=any&op=relational"},
		"operator":       {`put("op", "effect/return-dropped");`, "1 mutant of 10 in 1 file.", "#op=effect/return-dropped"},
		"kind of gap":    {`put("kind", "effect");`, "1 mutant of 10 in 1 file.", "#kind=effect"},
		"new":            {`put("new", true);`, "1 mutant of 10 in 1 file.", "#new=1"},
		"code":           {`put("text", "knots > 40");`, "1 mutant of 10 in 1 file.", "#text=knots%20%3E%2040"},
		"test":           {`put("text", "testFits#a LONG");`, "1 mutant of 10 in 1 file.", "#text=testFits%23a%20LONG"},
		"nothing fits":   {`put("text", "nowhere");`, "0 mutants of 10. Nothing fits what is chosen.", "#text=nowhere"},
		"order":          {`put("sort", "name");`, "3 mutants of 10 in 2 files.", "#sort=name"},
		"all taken back": {`put("text", "nowhere"); await wait(300); document.querySelector("button[type=reset]").click();`, "3 mutants of 10 in 2 files.", ""},
	}
	scripts, addresses := map[string][2]string{}, map[string][2]string{}
	for name, c := range cases {
		scripts[name], addresses[name] = [2]string{"", c.script + look}, [2]string{c.address, look}
	}
	first, again := askEach[view](t, file, wide, scripts), askEach[view](t, file, wide, addresses)
	for name, c := range cases {
		got := first[name]
		if got.Count != c.count || got.Address != c.address {
			t.Errorf("%s: %q at %q, want %q at %q", name, got.Count, got.Address, c.count, c.address)
		}
		if diff := cmp.Diff(got, again[name]); diff != "" {
			t.Errorf("%s: opened at its address it shows something else: %s", name, diff)
		}
	}
}

func TestPageKeys(t *testing.T) {
	file := pageOf(t, fixture(t))
	cases := map[string]struct{ script, want string }{
		"next":             {`press("n"); return focus()`, "lamp-text-77"},
		"over a file":      {`for (const k of "nnn") press(k); return focus()`, "delay-return-d2"},
		"back":             {`for (const k of "nnnp") press(k); return focus()`, "fits-le-3a"},
		"back over a file": {`for (const k of "nnp") press(k); return focus()`, "lamp-text-77"},
		"the end":          {`for (const k of "nnnnn") press(k); return focus() + ": " + document.getElementById("p:told").textContent`, "crew-plus-1b: That was the last one."},
		"the last":         {`press("p"); return focus()`, "crew-plus-1b"},
		"files":            {`press("]"); press("]"); return location.hash`, "#file=src/Ferry.php"},
		"files back":       {`press("]"); press("]"); press("["); return location.hash`, "#file=src/lamps.php"},
		"search":           {`press("/"); return focus()`, "p:text"},
		"not in a field":   {`press("/"); press("n"); return focus()`, "p:text"},
		"filter":           {`press("f"); return focus()`, "p:status"},
		"filter away":      {`press("f"); press("Escape"); return focus() + document.getElementById("p:choices").hidden`, "p:filtertrue"},
		"list":             {`press("?"); return document.getElementById("p:keys").open + " " + all("#p\\:keylist dt").length`, "true 12"},
		"start":            {`press("n"); press("s"); return String(document.getElementById("p:start").hidden) + location.hash`, "false"},
		"off":              {`put("keyson", false); press("n"); return location.hash`, "#keys=0"},
		"back button":      {`press("n"); press("]"); history.back(); await wait(500); return location.hash + " " + focus()`, "#at=lamp-text-77 lamp-text-77"},
		"copy": {`const taken = []; Object.defineProperty(navigator, "clipboard", {value: {writeText: async s => { taken.push(s); }}}); press("n"); press("c"); press("i"); press("k"); return taken.join("|")`,
			"lamp-text-77|assay inspect lamp-text-77|// assay: skip string/emptied because "},
		"filtered": {`put("status", "killed"); press("n"); return shown().join(" ")`, "fits-lt-9e"},
		"a line":   {`press("]"); press("]"); document.querySelector("button.m[data-line='9']").click(); return shown().join(" ") + " " + location.hash`, "fits-le-3a fits-lt-9e delay-return-d2 crew-plus-1b #file=src/Ferry.php&line=9&lines=9"},
	}
	scripts := map[string][2]string{}
	for name, c := range cases {
		scripts[name] = [2]string{"", c.script}
	}
	for name, got := range askEach[string](t, file, wide, scripts) {
		if got != cases[name].want {
			t.Errorf("%s: %q, want %q", name, got, cases[name].want)
		}
	}
}

func TestPageLinksToEditorAndRemote(t *testing.T) {
	r := fixture(t)
	r.Root = "/home/kai/so und#1"
	o := Options{EditorURL: "phpstorm://open?file=%f&line=%l", Remote: &Remote{Name: "git.example", Commit: "c0ffee", URL: "https://git.example/%f#L%l", Changed: map[string]bool{"src/lamps.php": true}}}
	file := filepath.Join(t.TempDir(), "page.html")
	if err := os.WriteFile(file, printed(t, formatOf(t, "html"), r, o), 0o644); err != nil {
		t.Fatal(err)
	}
	const look = `return all(".beside a.button").map(a => a.href)`
	if got, want := ask[[]string](t, file, "#fits-le-3a", wide, look), []string{"phpstorm://open?file=/home/kai/so%20und%231/src/Ferry.php&line=9", "https://git.example/src/Ferry.php#L9"}; !slices.Equal(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
	if got := ask[[]string](t, file, "#lamp-text-77", wide, look); len(got) != 1 {
		t.Errorf("a file that is not as at the commit has links %q", got)
	}
	if got := ask[[]string](t, pageOf(t, r), "#fits-le-3a", wide, look); len(got) != 0 {
		t.Errorf("nobody asked for links, and there are %q", got)
	}
}

// On a phone there is one column, and only code is wider than the screen.
func TestPageOnAPhone(t *testing.T) {
	for _, address := range []string{"", "#fits-le-3a", "#file=src/Ferry.php"} {
		if got := ask[string](t, pageOf(t, fixture(t)), address, phone, `
			const wide = all("body *").filter(e => !e.closest(".code") && e.getClientRects().length && e.getBoundingClientRect().right > innerWidth + 1).map(e => e.className || e.tagName);
			return getComputedStyle(document.querySelector(".desk")).display + " " + wide.join(",")`); got != "block " {
			t.Errorf("%q: %s", address, got)
		}
	}
}

// Every control has a name, the parts of the page are landmarks, headings do
// not skip a level, what is focused can be seen, and the order of focus is that
// of the text.
func TestPageIsAccessible(t *testing.T) {
	for _, address := range []string{"", "#fits-le-3a", "#crew-plus-1b"} {
		faults := ask[[]string](t, pageOf(t, known(t)), address, middle, `
			const faults = [], visible = e => e.getClientRects().length > 0;
			document.getElementById("p:filter").click();
			for (const e of all("button,select,input,a[href]")) {
				const name = e.getAttribute("aria-label") || (e.labels && e.labels[0] && e.labels[0].textContent) || e.textContent;
				if (!name.trim()) faults.push("no name: " + e.outerHTML);
				if (visible(e) && e.matches("button,select,.now a") && e.getBoundingClientRect().height < 24) faults.push("small: " + e.outerHTML);
			}
			for (const want of ["header", "nav[aria-label]", "main", "[role=search]", "[role=status]", "[role=alert]", "a.skip", "h1"]) if (!document.querySelector(want)) faults.push("no " + want);
			if (!document.getElementById("p:beside").hidden && !document.querySelector("aside[aria-label]")) faults.push("no aside");
			let level = 0;
			for (const h of all("h1,h2,h3,h4").filter(visible)) { const n = +h.tagName[1]; if (n > level + 1) faults.push("level: " + h.outerHTML); level = n; }
			for (const e of all("[tabindex]")) if (+e.getAttribute("tabindex") > 0) faults.push("order: " + e.outerHTML);
			const ids = all("[id]").map(e => e.id);
			if (new Set(ids).size !== ids.length) faults.push("an id is there twice");
			for (const e of all("[aria-labelledby],[aria-controls]")) for (const name of ["aria-labelledby", "aria-controls"]) if (e.hasAttribute(name) && !document.getElementById(e.getAttribute(name))) faults.push("nothing has the id: " + e.outerHTML);
			return faults`)
		for _, f := range faults {
			t.Errorf("%s: %s", address, f)
		}
	}
	for _, want := range []string{"@media (forced-colors:active)", ":focus-visible{outline"} {
		if !strings.Contains(baseCSS+pageCSS, want) {
			t.Errorf("the style lacks %s", want)
		}
	}
	// Nothing moves, so nothing has to stop where people ask for less motion.
	if m := regexp.MustCompile(`transition|animation|scroll-behavior`).FindString(baseCSS + pageCSS + pageJS + sourceJS + besideJS); m != "" {
		t.Errorf("the page has a %s; put it under prefers-reduced-motion: no-preference", m)
	}
}

// The contrast of text is at least 4.5 to 1 (WCAG 2.1, criterion 1.4.3, AA,
// with its formula of relative luminance), in light and dark.
func TestPageContrast(t *testing.T) {
	schemes := regexp.MustCompile(`:root\{([^}]*--ground[^}]*--name[^}]*)\}`).FindAllStringSubmatch(baseCSS, -1)
	if len(schemes) != 2 {
		t.Fatalf("%d schemes", len(schemes))
	}
	for i, s := range schemes {
		colour := map[string]float64{}
		for _, m := range regexp.MustCompile(`--(\w+):#([0-9a-f]{3,6})`).FindAllStringSubmatch(s[1], -1) {
			colour[m[1]] = luminance(t, m[2])
		}
		for _, ground := range []string{"ground", "sheet", "old", "new", "oldmark", "newmark"} {
			texts := []string{"ink", "soft", "kw", "str", "num", "com", "var", "name"}
			switch ground {
			case "ground":
				texts = append(texts, "link", "gap", "bare")
			case "sheet":
				texts = append(texts, "bare", "gap", "link")
			case "old", "new":
				texts = append(texts, "link", "gap", "bare")
			case "oldmark", "newmark":
				texts = []string{"ink"}
			}
			for _, text := range texts {
				a, b := colour[ground]+0.05, colour[text]+0.05
				if ratio := max(a, b) / min(a, b); ratio < 4.5 {
					t.Errorf("scheme %d: %s on %s has contrast %.2f", i, text, ground, ratio)
				}
			}
		}
	}
}

func luminance(t *testing.T, hex string) float64 {
	var r, g, b int
	if _, err := fmt.Sscanf(hex, "%02x%02x%02x", &r, &g, &b); err != nil {
		t.Fatal(hex, err)
	}
	linear := func(n int) float64 {
		if c := float64(n) / 255; c > 0.04045 {
			return math.Pow((c+0.055)/1.055, 2.4)
		}
		return float64(n) / 255 / 12.92
	}
	return 0.2126*linear(r) + 0.7152*linear(g) + 0.0722*linear(b)
}
