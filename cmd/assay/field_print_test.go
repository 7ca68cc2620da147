//go:build field

package main

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// fieldPrinter prints a line a project as they come, and keeps what is behind them.
type fieldPrinter struct {
	details, lines *os.File
	all            []*fieldLine
	options        fieldOptions
}

// A fieldColumn is one column of the table. Whatever else the engine reports gets a
// field in fieldLine and a column here.
type fieldColumn struct {
	head, format string
	value        func(*fieldLine) any
}

var fieldColumns = []fieldColumn{
	{"project", "%-22s", func(l *fieldLine) any { return l.Project }},
	{"tests", "%6d", func(l *fieldLine) any { return l.Tests }},
	{"mutants", "%7d", func(l *fieldLine) any { return l.Mutants }},
	{"neutral %", "%9.1f", func(l *fieldLine) any { return l.Engine.Neutral }},
	{"states", "%6d", func(l *fieldLine) any { return l.Engine.States }},
	{"batched %", "%9.1f", func(l *fieldLine) any { return l.Engine.batched() }},
	{"cold s", "%6.2f", func(l *fieldLine) any { return l.ColdMS / 1000 }},
	{"start/cold", "%10.1f", func(l *fieldLine) any { return l.StartMS / l.ColdMS }},
	{"kill+surv+end+unr", "%17s", func(l *fieldLine) any {
		return fmt.Sprintf("%d+%d+%d+%d", l.Judged["killed"], l.Judged["survived"], l.Judged["timed_out"], l.Judged["unreached"])
	}},
	{"left", "%4d", func(l *fieldLine) any { return l.LeftOut }},
	{"kill ms over", "%12.1f", func(l *fieldLine) any { return l.Killed.Median }},
	{"surv ms", "%7.1f", func(l *fieldLine) any { return l.Survived.Median }},
	{"own ms", "%7.1f", func(l *fieldLine) any { return l.Own.Median }},
	{"over 1.5 own", "%12.1f", func(l *fieldLine) any { return l.Over.Median }},
	{"x cold", "%6.1f", func(l *fieldLine) any { return l.quicker() }},
	{"held", "%4d", func(l *fieldLine) any { return l.Held }},
	{"wrong", "%5d", func(l *fieldLine) any { return len(l.Wrong) }},
}

func newFieldPrinter(o fieldOptions) (*fieldPrinter, error) {
	dir := filepath.Join(o.dir, "results")
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return nil, err
	}
	name := filepath.Join(dir, time.Now().Format("2006-01-02-150405"))
	p := &fieldPrinter{options: o}
	var err error
	if p.details, err = os.Create(name + ".txt"); err != nil {
		return nil, err
	}
	if p.lines, err = os.Create(name + ".jsonl"); err != nil {
		return nil, err
	}
	fmt.Printf("FIELD_SEED=%d; details are in %s.txt, the figures in %s.jsonl\n\n", o.seed, name, name)
	var heads []string
	for _, c := range fieldColumns {
		heads = append(heads, fmt.Sprintf(strings.NewReplacer("d", "s", ".1f", "s", ".2f", "s").Replace(c.format), c.head))
	}
	fmt.Println(strings.Join(heads, "  "))
	return p, nil
}

func (p *fieldPrinter) close() {
	p.details.Close()
	p.lines.Close()
}

func (p *fieldPrinter) detail(format string, args ...any) {
	fmt.Fprintf(p.details, "%s\n%s\n", strings.Repeat("-", 80), strings.TrimRight(fmt.Sprintf(format, args...), "\n"))
}

// line prints what was found out about a project, and below it what needs words.
func (p *fieldPrinter) line(l *fieldLine) {
	p.all = append(p.all, l)
	var cells []string
	for _, c := range fieldColumns {
		cells = append(cells, fmt.Sprintf(c.format, c.value(l)))
	}
	fmt.Println(strings.Join(cells, "  "))
	say := func(what string, list ...string) {
		for _, text := range list {
			if text != "" {
				fmt.Printf("    %s: %s\n", what, strings.ReplaceAll(text, "\n", "\n        "))
			}
		}
	}
	say("refused", l.Refused)
	ways, reasons := l.Engine.words()
	say("way", ways...)
	say("not batched", reasons...)
	say("remark", l.Remarks...)
	say("wrong", l.Wrong...)
	say("cold runs disagree", l.Unsteady...)
	if text, err := json.Marshal(l); err == nil {
		fmt.Fprintf(p.lines, "%s\n", text)
	}
}

// sum closes the table, and fails where something was refused or wrong.
func (p *fieldPrinter) sum(t *testing.T) {
	tests, held, wrong, refused := 0, 0, 0, 0
	for _, l := range p.all {
		tests += l.Tests
		held += l.Held
		wrong += len(l.Wrong)
		if l.Refused != "" {
			refused++
		}
	}
	fmt.Printf("\n%d projects, %d of them refused; %d tests; %d verdicts held against cold runs, %d of them wrong\n",
		len(p.all), refused, tests, held, wrong)
	if refused+wrong > 0 {
		t.Errorf("%d refused, %d wrong", refused, wrong)
	}
}
