//go:build linux

package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"regexp"
	"runtime"
	"runtime/debug"
	"slices"

	"assay/exec"
	"assay/mutate/project"
)

type versionCommand struct{}

// released and releasedOn are the version, and its day as 2026-11-30, of a program that was
// made by .ci/run dist at a tag. The linker puts them in.
var released, releasedOn string

func (versionCommand) run(env *environment) error {
	version, revision := cmp.Or(released, "unreleased"), ""
	if info, ok := debug.ReadBuildInfo(); ok {
		if v := info.Main.Version; released == "" && v != "" && v != "(devel)" {
			version = v
		}
		for _, s := range info.Settings {
			if s.Key == "vcs.revision" {
				revision = " " + s.Value[:min(12, len(s.Value))]
			}
		}
	}
	_, err := fmt.Fprintf(env.stdout, "assay %s%s (%s, %s/%s)\n", version, revision, runtime.Version(), runtime.GOOS, runtime.GOARCH)
	return err
}

func (helpCommand) run(*environment) error { return errors.New("help is printed by the parser") }

type checkCommand struct {
	sourceOptions
	suiteOptions
}

// errUnfit is the end of a check that found something to fix.
var errUnfit = &exec.ProjectError{What: "not fit for a run yet", Do: "What to do is said above."}

// run goes through what a run needs and says of each what was found, and what
// to do where that will not do.
func (c *checkCommand) run(env *environment) error {
	code, err := load(env.ctx, c.sourceOptions, &c.suiteOptions, nil)
	if err != nil {
		faults := project.Faults(err)
		if len(faults) == 0 || faults[0].Usage() {
			return err
		}
		for _, f := range faults {
			where := f.Path
			if f.Line > 0 {
				where = fmt.Sprintf("%s:%d", f.Path, f.Line)
			}
			c.bad(env, where+" "+f.Fault, f.Advice)
		}
		return errUnfit
	}
	c.ok(env, "project %s: %s and %s in %s", code.Name, many(len(code.Files), "source file"), many(len(code.mutants), "mutant"), code.Root)
	for _, n := range code.notes {
		c.remark(env, noteLine(n, code.prefix), "")
	}
	if _, err := readAccepted(code.Root); err != nil {
		return err
	}
	engine, err := c.open(env, code)
	if err != nil {
		return c.unfit(env, err)
	}
	defer c.close(env, engine)
	c.machine(env, code, engine.Facts())
	return c.suite(env, code, engine)
}

// machine tells of what makes a run slow but not wrong.
func (c *checkCommand) machine(env *environment, code *codebase, f exec.Facts) {
	c.ok(env, "PHP %s: %s", f.PHP, code.PHP)
	if f.Pcntl {
		c.ok(env, "PHP can fork")
	} else {
		c.remark(env, "PHP cannot fork: each mutant gets a process of its own, with the same verdicts, later",
			"Use a PHP with the pcntl and posix extensions. Debian's php-cli has them; in PHP's official images docker-php-ext-install pcntl adds what is missing.")
	}
	if f.ViewReason == "" {
		c.ok(env, "each worker sees the project through an overlay; nothing is copied")
	} else {
		c.remark(env, "each worker gets a copy of the project, because "+f.ViewReason, "Verdicts are the same.")
	}
	if len(f.Unconfined) == 0 {
		c.ok(env, "mutants are kept from files and networks that are not their own")
	}
	for _, text := range f.Unconfined {
		c.remark(env, text, "")
	}
	if slices.ContainsFunc(append(f.Unconfined, f.ViewReason), forbidden.MatchString) {
		c.remark(env, "what is forbidden here can be allowed", moreRights)
	}
}

// forbidden is what is said where rights are missing, by us or by the kernel.
var forbidden = regexp.MustCompile(`forbids|operation not permitted|permission denied|takes root`)

// moreRights are those for overlays and networks of their own.
const moreRights = `A container gets these rights with
    docker run --cap-add SYS_ADMIN --cap-add NET_ADMIN --security-opt apparmor=unconfined
(podman run likewise), and in a compose file its service with
    cap_add: [SYS_ADMIN, NET_ADMIN]
    security_opt: ["apparmor:unconfined"]
They are rights over the machine: give them where you trust the code. Outside of a container, be
root, or a user who may create user namespaces. Without all this verdicts are the same.`

// suite runs the tests unchanged.
func (c *checkCommand) suite(env *environment, code *codebase, engine *exec.Engine) error {
	bar := newProgress(env.stderr)
	bar.begin(originalSuite, "")
	baseline, err := engine.Record(env.ctx, code.points, func(done, all int) { bar.step(done, all, "") })
	bar.end()
	if err != nil {
		return c.unfit(env, err)
	}
	if baseline.HasElsewhere() {
		if _, err := baseline.LeaveOutElsewhere(exec.Plan(code.mutants, baseline)); err != nil {
			return c.unfit(env, err)
		}
	}
	configuration := "without a configuration file"
	if code.Config != nil {
		configuration = "configured by " + code.Config.Path
	}
	c.ok(env, "PHPUnit %s: %s, %s", engine.Facts().PHPUnit, code.PHPUnit.Path, configuration)
	c.ok(env, "the suite is green: %s", many(len(baseline.Tests), "test"))
	for _, n := range baseline.Notes {
		c.remark(env, noteLine(n, code.prefix), "")
	}
	return nil
}

// unfit tells of an error that the user can fix, and hands on any other.
func (c *checkCommand) unfit(env *environment, err error) error {
	var fault *exec.ProjectError
	if !errors.As(err, &fault) || errors.Is(err, context.Canceled) {
		return err
	}
	c.bad(env, fault.What, fault.Do)
	return errUnfit
}

func (c *checkCommand) ok(env *environment, format string, args ...any) {
	env.printf("ok    %s\n", fmt.Sprintf(format, args...))
}

func (c *checkCommand) remark(env *environment, what, do string) { c.say(env, "note", what, do) }
func (c *checkCommand) bad(env *environment, what, do string)    { c.say(env, "fix ", what, do) }

func (c *checkCommand) say(env *environment, sign, what, do string) {
	env.printf("%s  %s\n", sign, indented(what)[6:])
	if do != "" {
		env.printf("%s\n", indented(do))
	}
}
