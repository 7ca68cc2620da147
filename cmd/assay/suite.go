//go:build linux

package main

import (
	"fmt"
	"runtime"
	"strconv"

	"assay/exec"
	"assay/exec/sandbox"
	"assay/mutate"
)

// mostJobs bounds --jobs: each worker is some processes with a view of the project.
const mostJobs = 1000

// check refuses numbers that mean nothing.
func (o *suiteOptions) check() error {
	if o.Jobs < 0 || o.Jobs > mostJobs {
		return badValue("jobs", strconv.Itoa(o.Jobs), "%d: give a number of workers up to %d, or 0 for one for each core", o.Jobs, mostJobs)
	}
	return nil
}

// settings gives the engine what the options and the project say.
func (o *suiteOptions) settings(c *codebase) (exec.Settings, error) {
	view, err := sandbox.ParseMode(o.View)
	if err != nil {
		panic(err) // the parser accepts no other
	}
	s := exec.Settings{
		Root: c.Root, PHP: c.PHP, PHPUnit: c.PHPUnit.Path, Env: c.PHPUnit.Env,
		TestPath: c.TestPath, Above: c.Above, TestSuite: o.TestSuite, Group: o.Group,
		Jobs: o.workers(), Cold: o.Cold, View: view, Keep: o.Keep, Memory: int64(o.MemoryLimit),
		Sources: func() []*mutate.Points {
			if c.making() != nil {
				return nil
			}
			return c.points
		},
	}
	if c.Config != nil {
		s.Config = c.Config.Path
	}
	if c.Bootstrap == "" {
		s.Bootstrap = c.Autoload
	}
	err = o.confineOptions.apply(&s)
	return s, err
}

// open starts an engine for the project.
func (o *suiteOptions) open(env *environment, c *codebase) (*exec.Engine, error) {
	s, err := o.settings(c)
	if err != nil {
		return nil, err
	}
	return exec.Open(env.ctx, s)
}

func (o *suiteOptions) workers() int {
	if o.Jobs > 0 {
		return o.Jobs
	}
	return runtime.NumCPU()
}

// close ends the engine and tells of what it leaves behind.
func (o *suiteOptions) close(env *environment, e *exec.Engine) {
	if err := e.Close(); err != nil {
		fmt.Fprintf(env.stderr, "assay: cleaning up: %v\n", err)
	}
	if o.Keep {
		fmt.Fprintf(env.stderr, "assay: the work directory was left: %s\n", e.Facts().WorkDir)
	}
}
