//go:build linux

package main

import (
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"assay/exec"
	"assay/exec/sandbox"
)

// confineOptions say what the tests, and with them the changed code, may reach
// beyond their own view of the project, temp directory and network.
type confineOptions struct {
	Confine      bool     `name:"confine" toml:"confine" default:"true" negatable:"" help:"Keep the tests from writing and connecting anywhere but where it is allowed, as far as the kernel can; on unless turned off." group:"reach"`
	AllowWrite   []string `name:"allow-write" toml:"allow-write" placeholder:"PATH" sep:"none" help:"Let the tests write to this file or folder outside of the project; repeatable." group:"reach"`
	AllowConnect []place  `name:"allow-connect" toml:"allow-connect" placeholder:"PLACE" help:"Let the tests connect to a port, as 5432 or 127.0.0.1:5432 (the kernel looks at the port alone), or to a service's socket file; repeatable." group:"reach"`
}

// A place is something to connect to: a port, or a socket file.
type place struct {
	Port   uint16
	Socket string // absolute, without links
}

func (p *place) UnmarshalText(text []byte) error {
	s := string(text)
	if strings.HasPrefix(s, "/") {
		real, err := filepath.EvalSymlinks(s)
		if err != nil {
			return fmt.Errorf("there is no socket file %s; start its service first", s)
		}
		if info, err := os.Stat(real); err != nil || info.Mode().Type() != os.ModeSocket {
			return fmt.Errorf("%s is no socket file", s)
		}
		*p = place{Socket: real}
		return nil
	}
	port := s
	if strings.Contains(s, ":") {
		var err error
		if _, port, err = net.SplitHostPort(s); err != nil {
			port = ""
		}
	}
	n, err := strconv.ParseUint(port, 10, 16)
	if err != nil || n == 0 {
		return fmt.Errorf("%q names no port; write it as 5432 or 127.0.0.1:5432, or give the absolute path of a socket file", s)
	}
	*p = place{Port: uint16(n)}
	return nil
}

// apply gives the settings what the options say.
func (o *confineOptions) apply(s *exec.Settings) error {
	s.Unconfined = !o.Confine
	for _, path := range o.AllowWrite {
		real, err := sandbox.CheckAllowedPath(s.Root, path)
		if err != nil {
			return usagef("--allow-write %v", err)
		}
		s.AllowWrite = append(s.AllowWrite, real)
	}
	for _, p := range o.AllowConnect {
		if p.Socket != "" {
			s.AllowSockets = append(s.AllowSockets, p.Socket)
		} else {
			s.AllowPorts = append(s.AllowPorts, p.Port)
		}
	}
	return nil
}
