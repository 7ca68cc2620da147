//go:build linux

package main

import (
	"assay/mutate/project"
	"assay/report"
)

type testsCommand struct {
	Result  string `arg:"" optional:"" name:"result" help:"A file that --write json=FILE wrote; the last run without it."`
	Project string `name:"project" toml:"-" placeholder:"DIR" default:"." help:"A directory of the project whose last run it is."`
	screenOptions
}

// run shows the tests' side of a result.
func (c *testsCommand) run(env *environment) error {
	d, err := c.document()
	if err != nil {
		return err
	}
	return report.Tests(env.stdout, d, c.reportOptions(env.stdout, ""))
}

func (c *testsCommand) document() (*report.Document, error) {
	if c.Result == "" {
		p, err := project.Find(c.Project, project.Options{SourceOnly: true})
		if err != nil {
			return nil, err
		}
		d, err := lastRun(p.Root)
		if err == nil && d == nil {
			err = usagef("no run of this project is on record; assay run makes one")
		}
		return d, err
	}
	return readResult(c.Result)
}
