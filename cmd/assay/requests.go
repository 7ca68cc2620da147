package main

// requests are what options ask of things outside the code: of git, of the
// list of accepted survivors, of an earlier result. They are read before
// anything is run, so that a mistake in them costs no time.
type requests struct {
	changes *changes // nil: every line counts
}

func (c *runCommand) requests(code *codebase) (*requests, error) {
	var asked requests
	var err error
	if c.ChangedFrom != "" {
		if asked.changes, err = changedSince(code.Root, c.ChangedFrom); err != nil {
			return nil, err
		}
	}
	return &asked, nil
}
