//go:build linux

package main

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"github.com/alecthomas/kong"

	"assay/report"
)

type manualCommand struct {
	Command string `arg:"" optional:"" help:"The command that it is about; without one, all of assay."`
	To      string `name:"to" toml:"-" placeholder:"DIR" help:"Write the pages of all commands to this folder instead, as assay.1, assay-run.1 and so on."`
}

// run prints a page, or writes all of them.
func (c *manualCommand) run(env *environment) error {
	var line commandLine
	parser, err := newParser(env, &line, &configFile{}, nil)
	if err != nil {
		return err
	}
	program := parser.Model.Node
	if c.To != "" {
		if c.Command != "" {
			return usagef("--to: all pages are written; leave %s out", c.Command)
		}
		return writeManual(program, c.To)
	}
	if c.Command == "" {
		env.printf("%s", programPage(program))
		return nil
	}
	for _, n := range program.Children {
		if n.Name == c.Command {
			env.printf("%s", commandPage(n))
			return nil
		}
	}
	return usagef("there is no command %s%s", c.Command, meant(c.Command, commandNames(), "; there are "+strings.Join(commandNames(), ", ")))
}

// writeManual writes all pages into a folder that is there.
func writeManual(program *kong.Node, dir string) error {
	if info, err := os.Stat(dir); err != nil || !info.IsDir() {
		return usagef("--to %s: there is no such folder; make it first", dir)
	}
	faults := []error{os.WriteFile(filepath.Join(dir, "assay.1"), programPage(program), 0o644)}
	for _, n := range program.Children {
		faults = append(faults, os.WriteFile(filepath.Join(dir, "assay-"+n.Name+".1"), commandPage(n), 0o644))
	}
	if err := errors.Join(faults...); err != nil {
		return usageError{err}
	}
	return nil
}

// A page is a manual page in the man macros of roff (man(7)).
type page struct{ bytes.Buffer }

func newPage(title string) *page {
	p := &page{}
	fmt.Fprintf(p, ".TH %s 1 \"%s\" \"assay %s\" \"assay\"\n", strings.ToUpper(title), releasedOn, cmp.Or(released, "unreleased"))
	return p
}

// roffEscapes keep code as it is typed, so that it can be copied from a manual.
var roffEscapes = strings.NewReplacer(`\`, `\e`, "-", `\-`, "'", `\(aq`, "`", `\(ga`, "^", `\(ha`, "~", `\(ti`, "…", `\&...`)

// roffText gives a text as roff prints it, whatever it begins with.
func roffText(s string) string {
	s = roffEscapes.Replace(s)
	if strings.HasPrefix(s, ".") || strings.HasPrefix(s, `\(aq`) {
		s = `\&` + s
	}
	return s
}

// roffLines is a paragraph in lines of up to 60 characters or one word, each escaped.
func roffLines(paragraph string) string {
	var b strings.Builder
	line := ""
	for _, word := range strings.Fields(paragraph) {
		if line != "" && len(line)+1+len(word) > 60 {
			b.WriteString(roffText(line) + "\n")
			line = ""
		}
		if line != "" {
			line += " "
		}
		line += word
	}
	b.WriteString(roffText(line) + "\n")
	return b.String()
}

func (p *page) section(name string) { fmt.Fprintf(p, ".SH %s\n", name) }

// text prints paragraphs, which empty lines part.
func (p *page) text(s string) {
	for i, paragraph := range strings.Split(s, "\n\n") {
		if i > 0 {
			p.WriteString(".PP\n")
		}
		p.WriteString(roffLines(paragraph))
	}
}

// item prints what is explained, which is in roff already, and the explanation.
func (p *page) item(head, text string) {
	fmt.Fprintf(p, ".TP\n%s\n%s", head, roffLines(text))
}

func bold(s string) string   { return `\fB` + roffText(s) + `\fR` }
func italic(s string) string { return `\fI` + roffText(s) + `\fR` }

// programPage is the page of assay itself.
func programPage(program *kong.Node) []byte {
	p := newPage("assay")
	p.section("NAME")
	p.WriteString("assay \\- find behaviour of PHP code that no unit test guards\n")
	p.section("SYNOPSIS")
	for i, n := range program.Children {
		if i > 0 {
			p.WriteString(".br\n")
		}
		p.WriteString(synopsis(n) + "\n")
	}
	p.section("DESCRIPTION")
	p.text(description)
	p.section("COMMANDS")
	for _, n := range program.Children {
		p.item(bold(n.Name), n.Help)
	}
	p.section("EXIT STATUS")
	for _, s := range exitStatuses {
		p.item(bold(s.status), s.means)
	}
	p.section("FILES")
	for _, f := range manualFiles {
		p.item(italic(f[0]), f[1])
	}
	p.section("ENVIRONMENT")
	for _, v := range manualVariables {
		p.item(bold(v[0]), v[1])
	}
	p.section("SEE ALSO")
	var pages []string
	for _, n := range program.Children {
		pages = append(pages, bold("assay-"+n.Name)+"(1)")
	}
	p.WriteString(strings.Join(pages, ",\n") + "\n")
	return p.Bytes()
}

// commandPage is the page of one command.
func commandPage(n *kong.Node) []byte {
	p := newPage("assay-" + n.Name)
	p.section("NAME")
	summary := strings.TrimSuffix(n.Help, ".")
	fmt.Fprintf(p, "assay\\-%s \\- %s\n", roffText(n.Name), roffText(strings.ToLower(summary[:1])+summary[1:]))
	p.section("SYNOPSIS")
	p.WriteString(synopsis(n) + "\n")
	if len(n.Positional) > 0 {
		p.section("ARGUMENTS")
	}
	for _, a := range n.Positional {
		p.item(italic(strings.ToUpper(a.Name)), a.Help)
	}
	p.section("OPTIONS")
	p.item(bold("-h")+", "+bold("--help"), "Print a help text.")
	p.flags(n, "")
	for _, g := range helpGroups() {
		p.flags(n, g.Key)
	}
	if n.Name == "run" {
		p.section("FORMATS")
		for _, f := range report.Formats() {
			p.item(bold(f.Name), f.Doc+".")
		}
	}
	p.section("SEE ALSO")
	p.WriteString(bold("assay") + "(1)\n")
	return p.Bytes()
}

// flags prints the flags of a group, with its heading if there are any.
func (p *page) flags(n *kong.Node, group string) {
	headed := group == ""
	for _, f := range n.Flags {
		of := ""
		if f.Group != nil {
			of = f.Group.Key
		}
		if f.Hidden || of != group {
			continue
		}
		if !headed {
			fmt.Fprintf(p, ".SS %s\n", roffText(strings.TrimSuffix(groups[group], ":")))
			headed = true
		}
		p.item(flagHead(f), f.Help)
	}
}

// flagHead is a flag with its short form and its value.
func flagHead(f *kong.Flag) string {
	head := bold("--" + f.Name)
	if f.Tag.Negatable != "" {
		head = bold("--[no-]" + f.Name)
	}
	if !f.IsBool() {
		head += "=" + italic(f.FormatPlaceHolder())
	}
	if f.Short != 0 {
		head = bold("-"+string(f.Short)) + ", " + head
	}
	return head
}

// synopsis is how a command is written.
func synopsis(n *kong.Node) string {
	words := []string{bold("assay " + n.Name)}
	for _, a := range n.Positional {
		word := italic(strings.ToUpper(a.Name))
		if a.IsSlice() {
			word += roffText("...")
		}
		if !a.Required {
			word = "[" + word + "]"
		}
		words = append(words, word)
	}
	return strings.Join(append(words, "["+italic("option")+roffText("...")+"]"), " ")
}

// exitStatuses are explained in the manual; see also the comment of the package.
var exitStatuses = []struct{ status, means string }{
	{"0", "All is well."},
	{"1", "The mutation score is below --fail-under, or --fail-on-new found something."},
	{"2", "The command line, assay.toml, assay.accepted or a comment that skips mutants is wrong; nothing was run."},
	{"3", "The project must be fixed first: a red suite, no tests, no source."},
	{"4", "A fault of assay's own."},
	{"130", "It was interrupted (SIGINT). For SIGTERM it is 143, for SIGHUP 129, for SIGQUIT 131. What was decided is reported; a second signal ends the run at once."},
}

var manualFiles = [][2]string{
	{"assay.toml", "Options, in the project's root: each by the name of its flag. A flag wins."},
	{"assay.accepted", "The survivors that somebody has accepted, in the project's root; assay accept writes it."},
	{"~/.cache/assay", "Results of last runs, and verdicts that the next run may use again."},
}

var manualVariables = [][2]string{
	{"NO_COLOR", "If set, nothing is printed in colour."},
	{"TMPDIR", "Where temporary files are; /tmp without it."},
	{"XDG_CACHE_HOME", "The folder in which results are kept, if not ~/.cache."},
}
