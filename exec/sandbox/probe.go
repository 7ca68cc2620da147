//go:build linux

package sandbox

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"path"
	"strings"
	"time"

	"golang.org/x/sys/unix"
)

// Probe finds out whether an overlay view of this project works on this
// machine, by opening one and trying it, for ten seconds at most. It returns Overlay
// with an empty reason, or Copy with the reason why no overlay can be had. dir is
// where the workers' private directories will be.
func Probe(root, dir string) (mode Mode, reason string) {
	mine, err := os.MkdirTemp(dir, "probe")
	if err != nil {
		return Copy, err.Error()
	}
	defer RemoveTree(mine)
	cmd, err := Command(Spec{Mode: Overlay, Root: root, Dir: mine}, "probe", "")
	if err != nil {
		return Copy, err.Error()
	}
	if err := checkOwners(root); err != nil {
		return Copy, err.Error()
	}
	var out bytes.Buffer
	cmd.Stderr = &out
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
	defer cancel()
	if err := cmd.Start(); err != nil {
		return Copy, "no private namespaces: " + explainClone(err)
	}
	stop := context.AfterFunc(ctx, func() { cmd.Process.Kill() })
	err = cmd.Wait()
	stop()
	if err == nil {
		return Overlay, ""
	}
	if ctx.Err() != nil {
		return Copy, "the overlay did not answer within 10 s"
	}
	reason = strings.TrimPrefix(strings.TrimSpace(out.String()), "assay supervisor: ")
	if reason == "" {
		reason = err.Error()
	}
	return Copy, reason
}

// probeJob tries, in a fresh view, what every worker relies on.
func probeJob(v *View, _ string) error {
	const name = "assay-probe.tmp"
	t := v.project
	if _, err := statAt(t.base.dir, name); err != unix.ENOENT {
		return fmt.Errorf("the project has an entry %s: %w", name, err)
	}
	if err := os.WriteFile(path.Join(v.Root(), name), []byte("x"), 0o600); err != nil {
		return fmt.Errorf("the view cannot be written: %w", err)
	}
	if _, err := statAt(t.base.dir, name); err != unix.ENOENT {
		return fmt.Errorf("a write in the view reached the project (%w)", err)
	}
	file, err := firstFile(t.base.dir, ".", 4)
	if err != nil {
		return err
	}
	if file != "" {
		if err := probeSwap(v, file); err != nil {
			return err
		}
	}
	list, err := v.Damage()
	if err != nil {
		return err
	}
	if len(list) == 0 || list[0].String() != "project: . times" && list[0].Path != name {
		return fmt.Errorf("the view did not notice a write (%v)", list)
	}
	return v.Repair()
}

// probeSwap swaps one file of the project and puts it back.
func probeSwap(v *View, file string) error {
	before, err := os.ReadFile(path.Join(v.Root(), file))
	if err != nil {
		return err
	}
	mark := []byte("assay probe")
	if err := v.Swap(map[string][]byte{file: mark}); err != nil {
		return err
	}
	now, err := os.ReadFile(path.Join(v.Root(), file))
	if err != nil {
		return err
	}
	if !bytes.Equal(now, mark) {
		return fmt.Errorf("%s was swapped, and reads as before", file)
	}
	below, err := v.project.base.read(file)
	if err != nil {
		return err
	}
	if !bytes.Equal(below.data, before) {
		return fmt.Errorf("the swap of %s reached the project", file)
	}
	return v.Restore()
}

// firstFile finds a readable regular file, a PHP source if there is one, at most depth
// directories down; "" when there is none.
func firstFile(root int, rel string, depth int) (string, error) {
	names, err := listAt(root, rel)
	if err != nil {
		if errors.Is(err, unix.EACCES) {
			return "", nil
		}
		return "", err
	}
	other := ""
	for _, n := range names {
		p := path.Join(rel, n)
		m, err := statAt(root, p)
		switch {
		case err != nil || n == ".git" || n == "vendor" || n == "node_modules":
		case m.isRegular() && m.perm()&0o400 != 0 && m.size < 1<<20:
			if path.Ext(n) == ".php" {
				return p, nil
			}
			other = p
		case m.isDir() && depth > 0:
			found, err := firstFile(root, p, depth-1)
			if err != nil {
				return "", err
			}
			if path.Ext(found) == ".php" {
				return found, nil
			}
			if found != "" && other == "" {
				other = found
			}
		}
	}
	return other, nil
}
