//go:build linux

package main

import (
	"cmp"
	"errors"
	"fmt"
	"reflect"
	"regexp"
	"strings"
	"sync"

	"github.com/alecthomas/kong"

	"assay/report"
)

// A command does one thing and says how it ended.
type command interface{ run(env *environment) error }

type commandLine struct {
	Run       runCommand       `cmd:"" help:"Judge the mutants of the project and report those that survive."`
	List      listCommand      `cmd:"" help:"List the mutants; nothing is run."`
	Inspect   inspectCommand   `cmd:"" help:"Show one mutant, and what the last run found out about it."`
	Try       tryCommand       `cmd:"" help:"Run the tests on one mutant and show PHPUnit's own output."`
	Prove     proveCommand     `cmd:"" help:"Look for tests that kill survivors of the last run, and try them."`
	Report    reportCommand    `cmd:"" help:"Show a saved result, or write it in other formats."`
	Merge     mergeCommand     `cmd:"" help:"Put the parts of a run together, as one result."`
	Work      workCommand      `cmd:"" help:"Judge mutants of runs that give them to a pool."`
	Accept    acceptCommand    `cmd:"" help:"Accept a survivor, list the accepted ones, or take one out."`
	Tests     testsCommand     `cmd:"" help:"Show which tests kill which mutants, and which might be spared."`
	History   historyCommand   `cmd:"" help:"Show what became of score, survivors and time over many runs."`
	Operators operatorsCommand `cmd:"" help:"List the operators, or explain some of them."`
	Check     checkCommand     `cmd:"" help:"Find out whether this machine and this project are fit for a run."`
	Version   versionCommand   `cmd:"" help:"Print the version."`
	Help      helpCommand      `cmd:"" help:"Explain a command."`

	Completion completionCommand `cmd:"" help:"Print the completion of bash, zsh or fish."`
	Manual     manualCommand     `cmd:"" help:"Print the manual page of a command, for man."`
}

type helpCommand struct {
	Command string `arg:"" optional:"" help:"The command to explain."`
}

// parse reads the command line, and assay.toml where the command has options.
// There is no command to run when help was asked for and has been printed.
func parse(env *environment, args []string) (command, error) {
	var line commandLine
	printed := false
	file := &configFile{}
	env.config = file
	parser, err := newParser(env, &line, file, func(int) { printed = true })
	if err != nil {
		return nil, err
	}
	switch {
	case len(args) == 0, len(args) == 1 && args[0] == "help":
		args = []string{"--help"}
	case args[0] == "help":
		args = append(args[1:len(args):len(args)], "--help")
	}
	ctx, err := parser.Parse(args)
	if printed {
		return nil, nil
	}
	if file.err != nil {
		return nil, usageError{file.err}
	}
	if err != nil {
		return nil, file.placed(usageError{reworded(err)})
	}
	chosen, ok := ctx.Selected().Target.Addr().Interface().(command)
	if !ok {
		return nil, fmt.Errorf("command %s does nothing", ctx.Command())
	}
	if p, ok := chosen.(interface{ defaultPaths([]string) }); ok {
		p.defaultPaths(file.paths())
	}
	return chosen, nil
}

// newParser gives the parser of command lines. When it has printed help it calls exit, and goes
// on if that returns.
func newParser(env *environment, line *commandLine, file *configFile, exit func(int)) (*kong.Kong, error) {
	return kong.New(line,
		kong.Name("assay"),
		kong.Description(description),
		kong.Writers(env.stdout, env.stderr),
		kong.Exit(exit),
		kong.Resolvers(file),
		kong.Vars{"formats": formatNames()},
		kong.ExplicitGroups(helpGroups()),
		kong.ConfigureHelp(kong.HelpOptions{Compact: true, WrapUpperBound: 96}))
}

// description explains the words that all help texts and reports use.
const description = `Shows which behaviour of a PHP project its tests do not check.

A mutant is the code with one small change, made by a mutation operator. A mutant is killed when a
test fails on it; it has survived when all tests that reach it pass; it is unreached when no test
runs the code. The mutation score is the share of the mutants that the tests kill.`

var (
	unknownFlag = sync.OnceValue(func() *regexp.Regexp {
		return regexp.MustCompile(`^unknown flag (--?\S+?),? ?(?:did you mean (.*))?$`)
	})
	unexpected = sync.OnceValue(func() *regexp.Regexp {
		return regexp.MustCompile(`^unexpected argument (\S+?)(?:, did you mean .*)?$`)
	})
	otherValue = sync.OnceValue(func() *regexp.Regexp {
		return regexp.MustCompile(`^--(\S+) must be one of (.*) but got "(.*)"$`)
	})
	missing = sync.OnceValue(func() *regexp.Regexp {
		return regexp.MustCompile(`^expected "<(\S+?)>.*"$`)
	})
)

// reworded gives the parser's error in the words of our other messages.
func reworded(err error) error {
	text, name := err.Error(), ""
	var fault *kong.ParseError
	if errors.As(err, &fault) && fault.Context.Selected() != nil {
		name = fault.Context.Selected().Name
	}
	if m := unknownFlag().FindStringSubmatch(text); m != nil {
		return fmt.Errorf("there is no flag %s%s", m[1], suggestion(m[2], name))
	}
	if m := unexpected().FindStringSubmatch(text); m != nil && name == "" {
		return fmt.Errorf("there is no command %s%s", m[1], meant(m[1], commandNames(), "; there are "+strings.Join(commandNames(), ", ")))
	} else if m != nil {
		return fmt.Errorf("assay %s takes no argument %s; assay help %s says what it takes", name, m[1], name)
	}
	if m := otherValue().FindStringSubmatch(text); m != nil {
		values := strings.Split(strings.ReplaceAll(m[2], `"`, ""), ",")
		return &valueError{m[1], m[3], fmt.Sprintf("there is no %s; it is %s", m[3], strings.Join(values, " or "))}
	}
	if m := missing().FindStringSubmatch(text); m != nil && name != "" {
		return fmt.Errorf("assay %s: say which %s; assay help %s explains it", name, strings.ToUpper(m[1]), name)
	}
	return err
}

// commandNames lists the commands as help texts do.
func commandNames() []string {
	var out []string
	for _, f := range reflect.VisibleFields(reflect.TypeFor[commandLine]()) {
		out = append(out, strings.ToLower(f.Name))
	}
	return out
}

func suggestion(s, command string) string {
	if s == "" {
		return "; assay help " + cmp.Or(command, "COMMAND") + " lists them"
	}
	return "; did you mean " + strings.NewReplacer("one of ", "", `"`, "", ", ", " or ").Replace(s)
}

func formatNames() string {
	var names []string
	for _, f := range report.Formats() {
		names = append(names, fmt.Sprintf("%s (%s)", f.Name, f.Doc))
	}
	return strings.Join(names, "; ")
}

func helpGroups() []kong.Group {
	var out []kong.Group
	for _, key := range []string{"code", "tests", "reach", "choice", "pool", "proof", "answer"} {
		out = append(out, kong.Group{Key: key, Title: groups[key]})
	}
	return out
}
