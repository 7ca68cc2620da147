//go:build linux

package exec

import (
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"assay/exec/sandbox"
)

// checkMachine looks for what no run can do without, and gives a *ProjectError for what
// is missing.
func checkMachine() error {
	switch self, err := os.Readlink("/proc/self"); {
	case err != nil:
		return &ProjectError{fmt.Sprintf("there is no /proc here (%v), and without it the processes of tests cannot be watched", err),
			"Mount it: mount -t proc proc /proc, in a chroot before you enter it. Containers have it unless they were told otherwise."}
	case self != strconv.Itoa(os.Getpid()):
		return &ProjectError{fmt.Sprintf("/proc shows other processes than ours: we are %d, and it says %s", os.Getpid(), self),
			"It belongs to another PID namespace. Mount one that belongs to this: mount -t proc proc /proc."}
	}
	return nil
}

// showNeeded has views show what PHP, and PHPUnit as it is called, need in temp
// directories, which each view has of its own.
func (e *Engine) showNeeded() error {
	answer, err := e.lint.ask('I', nil)
	if err != nil {
		return err
	}
	for _, path := range append(strings.Split(answer, "\x00"), e.set.Config, e.set.Bootstrap, e.set.TestPath) {
		if path != "" && sandbox.Hides(path) {
			e.shown = append(e.shown, path)
		}
	}
	return nil
}

// absolutePath finds paths in a message. What may stand in them besides is left to
// whoever looks whether they are there.
var absolutePath = regexp.MustCompile(`/[^\s'"<>|:;,()\[\]{}]+`)

// hiddenIn gives the files that a message names, that are there, and that a view does
// not show, because they lie in a temp directory.
func (e *Engine) hiddenIn(message string) []string {
	var out []string
	for _, path := range absolutePath.FindAllString(message, -1) {
		path = filepath.Clean(strings.TrimRight(path, "."))
		if !sandbox.Hides(path) || sandbox.Within(e.set.Root, path) || sandbox.Within(e.dir, path) || slices.Contains(out, path) {
			continue
		}
		if _, err := os.Stat(path); err == nil {
			out = append(out, path)
		}
	}
	return out
}

// ifHidden adds to the error of a suite that is not green what it may have missed.
func (e *Engine) ifHidden(err error) error {
	fault, is := err.(*ProjectError)
	if !is || e.facts.View != sandbox.Overlay {
		return err
	}
	hidden := e.hiddenIn(fault.What)
	if len(hidden) == 0 {
		return err
	}
	return &ProjectError{fault.What, fmt.Sprintf("Tests have temp directories of their own, in which there is no %s: have it somewhere else, as in the project, or show it with --allow-write %s.",
		strings.Join(hidden, " and no "), hidden[0])}
}
