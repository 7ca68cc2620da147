//go:build linux

package main

import (
	"errors"
	"fmt"
	"strings"

	"github.com/pelletier/go-toml/v2"
	"github.com/pelletier/go-toml/v2/unstable"
)

// A valueError is a value that an option cannot have. It may stand on the
// command line or in assay.toml, which the code that finds it does not know.
type valueError struct{ option, value, fault string }

func (e *valueError) Error() string {
	if strings.HasPrefix(e.fault, e.value+":") {
		return "--" + e.option + " " + e.fault
	}
	return "--" + e.option + ": " + e.fault
}

// badValue gives the error of a value that an option cannot have.
func badValue(option, value, format string, args ...any) error {
	return usageError{&valueError{option, value, fmt.Sprintf(format, args...)}}
}

// placed gives the error with file, line and column where the value stands in
// assay.toml, and any other error as it is.
func (c *configFile) placed(err error) error {
	var bad *valueError
	if !errors.As(err, &bad) || !c.given[bad.option] {
		return err
	}
	return usagef("%s: %s", c.place(bad.option, bad.value), bad.fault)
}

// place gives "assay.toml:3:12" for a value of a key, or for the key where the
// value is not found.
func (c *configFile) place(key, value string) string {
	at := c.path
	eachPair(c.text, func(p *unstable.Parser, pair *unstable.Node) bool {
		if pairKey(pair) != key {
			return true
		}
		set := func(n *unstable.Node) {
			start := p.Shape(n.Raw).Start
			at = fmt.Sprintf("%s:%d:%d", c.path, start.Line, start.Column)
		}
		name := pair.Key()
		name.Next()
		set(name.Node())
		values := pair.Value().Children()
		if string(pair.Value().Data) == value {
			set(pair.Value())
		}
		for values.Next() {
			if string(values.Node().Data) == value {
				set(values.Node())
				break
			}
		}
		return false
	})
	return at
}

// eachPair calls f for each "key = value" until f is done with it.
func eachPair(text []byte, f func(*unstable.Parser, *unstable.Node) bool) {
	p := &unstable.Parser{}
	p.Reset(text)
	for p.NextExpression() {
		if e := p.Expression(); e.Kind == unstable.KeyValue && !f(p, e) {
			return
		}
	}
}

func pairKey(pair *unstable.Node) string {
	var parts []string
	for it := pair.Key(); it.Next(); {
		parts = append(parts, string(it.Node().Data))
	}
	return strings.Join(parts, ".")
}

// refusedPair gives the place of the first value that its option refuses by
// itself; "" where there is none. The decoder does not say where it stands.
func (c *configFile) refusedPair() string {
	var at string
	eachPair(c.text, func(_ *unstable.Parser, pair *unstable.Node) bool {
		key, value := pairKey(pair), string(pair.Value().Data)
		quoted := value
		if pair.Value().Kind == unstable.String {
			quoted = fmt.Sprintf("%q", value)
		}
		var alone fileOptions
		if toml.Unmarshal([]byte(key+" = "+quoted), &alone) != nil && pair.Value().Kind != unstable.Array {
			at = c.place(key, value)
			return false
		}
		return true
	})
	return at
}
