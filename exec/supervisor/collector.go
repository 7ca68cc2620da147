//go:build linux

package supervisor

import (
	"os"
	"runtime/debug"
)

// EaseCollector lets memory grow further between two collections than Go does by
// itself, up to 256 MiB: our processes live for seconds and keep most of what they
// make. GOGC and GOMEMLIMIT hold where they are set.
func EaseCollector() {
	if os.Getenv("GOGC") == "" {
		debug.SetGCPercent(400)
	}
	if os.Getenv("GOMEMLIMIT") == "" {
		debug.SetMemoryLimit(256 << 20)
	}
}
