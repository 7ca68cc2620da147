//go:build linux

package main

import "assay/report"

// requests are what options ask of things outside the code: of git, of the
// list of accepted survivors, of an earlier result. They are read before
// anything is run, so that a mistake in them costs no time.
type requests struct {
	changes  *changes // nil: every line counts
	accepted *acceptList
	before   *report.Document // nil: nothing is compared
	narrow   bool             // only a part of the project is looked at
}

func (c *runCommand) requests(code *codebase) (*requests, error) {
	asked := &requests{narrow: len(c.Paths) > 0}
	var err error
	if c.ChangedFrom != "" {
		if asked.changes, err = changedSince(code.Root, c.ChangedFrom); err != nil {
			return nil, err
		}
		asked.changes.throughLinks(code.Root, code.Files)
	}
	if c.ComparedWith != "" {
		if asked.before, err = readBefore(c.ComparedWith); err != nil {
			return nil, err
		}
	}
	asked.accepted, err = readAccepted(code.Root)
	return asked, err
}
