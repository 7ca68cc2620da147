//go:build linux

package main

import (
	"io"
	"os"

	"golang.org/x/term"

	"assay/report"
)

// reportOptions decides what the terminal gets.
func (o screenOptions) reportOptions(w io.Writer, prefix string) report.Options {
	out := report.Options{Prefix: prefix}
	f, ok := w.(*os.File)
	terminal := ok && term.IsTerminal(int(f.Fd())) && os.Getenv("TERM") != "dumb"
	switch o.Color {
	case "always":
		out.Color = true
	case "auto":
		out.Color = terminal && os.Getenv("NO_COLOR") == "" // https://no-color.org: any value but the empty one
	}
	if terminal {
		out.EditorURL = o.EditorURL
		out.Width = min(terminalWidth(f, 100), 120)
	}
	return out
}
