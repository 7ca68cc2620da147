//go:build axe

package report

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// axe-core, which ".ci/run axe" gets from npm's registry, finds no fault in the
// page or in that of a history: its rules for WCAG 2.2, levels A and AA, and its
// best practices. ASSAY_AXE names its file axe.min.js.
func TestPagesWithAxe(t *testing.T) {
	axe, err := os.ReadFile(os.Getenv("ASSAY_AXE"))
	if err != nil {
		t.Fatalf("%v; .ci/run axe gets axe-core and sets ASSAY_AXE", err)
	}
	script := strings.ReplaceAll(string(axe), "</script", `<\/script`) + `;
		document.getElementById("p:filter")?.click();
		if (location.hash === "#keys") press("?");
		const found = await axe.run(document, {runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]});
		return [String(found.passes.length), ...found.violations.flatMap(v => v.nodes.map(n => v.id + ": " + n.html.slice(0, 300) + " " + n.failureSummary))];`
	page, history := pageOf(t, known(t)), filepath.Join(t.TempDir(), "trend.html")
	var b bytes.Buffer
	if err := HistoryHTML(&b, trendOfNights(t), TrendOptions{Project: "sound/ferries"}); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(history, b.Bytes(), 0o644); err != nil {
		t.Fatal(err)
	}
	for _, at := range [][2]string{{page, ""}, {page, "#fits-lt-9e"}, {page, "#delay-return-d2"}, {page, "#crew-plus-1b"}, {page, "#keys"}, {page, "#nowhere"}, {history, ""}} {
		for _, size := range []string{wide, middle, phone} {
			for _, scheme := range []string{"1", "0"} { // light, dark
				found := ask[[]string](t, at[0], at[1], size, script, "--blink-settings=preferredColorScheme="+scheme)
				if len(found) == 0 || found[0] == "0" {
					t.Fatalf("axe-core did not run: %v", found)
				}
				for _, f := range found[1:] {
					t.Errorf("%s%s, %s, scheme %s: %s", filepath.Base(at[0]), at[1], size, scheme, f)
				}
			}
		}
	}
}
