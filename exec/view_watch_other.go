//go:build unix && !linux

package exec

import "errors"

// watcher is missing here; trees are scanned each time.
type watcher struct{}

func newWatcher() (*watcher, error) { return nil, errors.ErrUnsupported }

func (w *watcher) add(int) error { return errors.ErrUnsupported }
func (w *watcher) drain() bool   { return true }
func (w *watcher) close() error  { return nil }
