//go:build unix && !linux

package exec

import (
	"errors"
	"fmt"
	"os"
	"syscall"
)

var selfProgram = func() string {
	p, err := os.Executable()
	if err != nil {
		return os.Args[0]
	}
	return p
}()

// layers exist only where overlays do.
type layers struct{ None bool }

func (t *tree) hasMark(string, string) bool { return false }

func keeperAttr(ViewMode, bool) (*syscall.SysProcAttr, bool) {
	return &syscall.SysProcAttr{Setsid: true}, false
}

func explainClone(err error) string { return err.Error() }

func openView(o keeperOrder) (*View, error) {
	if o.Spec.Mode != ViewCopy {
		return nil, fmt.Errorf("view %v: %w on this system, use copy", o.Spec.Mode, errors.ErrUnsupported)
	}
	return openCopy(o.Spec)
}

func killStrays(func(pid int) bool) (int, error) { return 0, errors.ErrUnsupported }

func killTree(keeper int) error { return syscall.Kill(-keeper, syscall.SIGKILL) }

func killRemains(string) (int, error) { return 0, errors.ErrUnsupported }

func checkOwners(string) error { return nil }

func mayChown() bool { return os.Geteuid() == 0 }

func mayOverride() bool { return os.Geteuid() == 0 }
