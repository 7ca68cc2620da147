//go:build !linux

// Assay runs on Linux alone; this is what it is elsewhere.
package main

import (
	"fmt"
	"os"
)

func main() {
	fmt.Fprintln(os.Stderr, "assay runs on Linux; use a container or WSL")
	os.Exit(2)
}
