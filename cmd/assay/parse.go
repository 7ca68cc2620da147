package main

import (
	"fmt"
	"regexp"
	"strings"

	"github.com/alecthomas/kong"

	"assay/report"
)

// A command does one thing and says how it ended.
type command interface{ run(env *environment) error }

type commandLine struct {
	Run       runCommand       `cmd:"" help:"Judge the mutants of the project and report those that survive."`
	List      listCommand      `cmd:"" help:"List the mutants; nothing is run."`
	Show      showCommand      `cmd:"" help:"Show one mutant, and what the last run found out about it."`
	Try       tryCommand       `cmd:"" help:"Run the tests on one mutant and show PHPUnit's own output."`
	Report    reportCommand    `cmd:"" help:"Show a saved result, or write it in other formats."`
	Accept    acceptCommand    `cmd:"" help:"Accept a survivor, list the accepted ones, or take one out."`
	Tests     testsCommand     `cmd:"" help:"Show which tests notice what, and which might be spared."`
	History   historyCommand   `cmd:"" help:"Show what became of score, survivors and time over many runs."`
	Operators operatorsCommand `cmd:"" help:"List the operators, or explain some of them."`
	Check     checkCommand     `cmd:"" help:"Find out whether this machine and this project are fit for a run."`
	Version   versionCommand   `cmd:"" help:"Print the version."`
	Help      helpCommand      `cmd:"" help:"Explain a command."`
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
	parser, err := kong.New(&line,
		kong.Name("assay"),
		kong.Description("Shows which changes to the code of a PHP project no test of it notices."),
		kong.Writers(env.stdout, env.stderr),
		kong.Exit(func(int) { printed = true }),
		kong.Resolvers(file),
		kong.Vars{"formats": formatNames()},
		kong.ExplicitGroups(helpGroups()),
		kong.ConfigureHelp(kong.HelpOptions{Compact: true, WrapUpperBound: 96}))
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
		return nil, usageError{fmt.Errorf("%s%s", reworded(err), file.where(err))}
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

var (
	unknownFlag = regexp.MustCompile(`^unknown flag (--?\S+?),? ?(?:did you mean (.*))?$`)
	unexpected  = regexp.MustCompile(`^unexpected argument (\S+?),? ?(?:did you mean (.*))?$`)
)

// reworded gives the parser's message in the words of our other messages.
func reworded(err error) string {
	text := err.Error()
	if m := unknownFlag.FindStringSubmatch(text); m != nil {
		return "there is no flag " + m[1] + suggestion(m[2])
	}
	if m := unexpected.FindStringSubmatch(text); m != nil && m[2] != "" {
		return "there is no command " + m[1] + suggestion(m[2])
	}
	return text
}

func suggestion(s string) string {
	if s == "" {
		return "; assay help COMMAND lists them"
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
	for _, key := range []string{"code", "tests", "reach", "choice", "answer"} {
		out = append(out, kong.Group{Key: key, Title: groups[key]})
	}
	return out
}
