//go:build linux

package main

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"sync"

	"github.com/alecthomas/kong"
	"github.com/pelletier/go-toml/v2"
)

const configName = "assay.toml"

// configFile gives the parser the values of assay.toml for flags that were
// not given. It is found when the parser asks first: --project and --config
// are known then.
type configFile struct {
	loaded bool
	path   string // "" when there is none
	text   []byte
	values map[string]any
	given  map[string]bool // options that have their value from the file
	err    error
}

// Validate is part of kong.Resolver.
func (c *configFile) Validate(*kong.Application) error { return nil }

// Resolve gives the value of one flag, or nil.
func (c *configFile) Resolve(ctx *kong.Context, _ *kong.Path, flag *kong.Flag) (any, error) {
	if !c.loaded {
		c.load(flagText(ctx, "project"), flagText(ctx, "config"))
		c.loaded = true
	}
	if c.err != nil {
		return nil, nil // reported once, by where
	}
	v, ok := c.values[flag.Name]
	if !ok || flag.Tag.Get("toml") == "-" {
		return nil, nil
	}
	if list, ok := v.([]any); ok {
		if flag.Name == "allow-write" {
			for i, p := range list {
				list[i] = c.fromHere(fmt.Sprint(p))
			}
		}
		c.given[flag.Name] = true
		return list, nil
	}
	c.given[flag.Name] = true
	text := fmt.Sprint(v)
	if flag.Name == "phpunit-config" || flag.Name == "compared-with" || flag.Name == "history" || flag.Name == "cache" || (strings.HasPrefix(flag.Name, "php") && strings.ContainsRune(text, '/')) {
		text = c.fromHere(text)
	}
	return text, nil
}

// fromHere makes a path absolute that the file names relative to itself.
func (c *configFile) fromHere(path string) string {
	if filepath.IsAbs(path) {
		return path
	}
	return filepath.Join(filepath.Dir(c.path), path)
}

func (c *configFile) paths() []string {
	list, _ := c.values["paths"].([]any)
	var out []string
	for _, p := range list {
		out = append(out, c.fromHere(fmt.Sprint(p)))
	}
	return out
}

func (c *configFile) load(dir, path string) {
	found := path == ""
	if found {
		if path = findConfig(dir); path == "" {
			return
		}
	}
	c.path, c.given = path, map[string]bool{}
	info, err := os.Stat(path)
	if err == nil && found && !info.Mode().IsRegular() {
		c.err = fmt.Errorf("%s: is no file; options are read from it, so give it another name", path)
		return
	}
	if c.text, err = os.ReadFile(path); err != nil {
		var at *fs.PathError
		if errors.As(err, &at) {
			err = at.Err
		}
		c.err = fmt.Errorf("%s: cannot be read: %w", path, err)
		return
	}
	c.values, c.err = c.decode()
}

// findConfig looks in dir and above, as far as the project reaches: up to the
// first directory that has a composer.json or a PHPUnit configuration.
func findConfig(dir string) string {
	dir, err := filepath.Abs(dir)
	if err != nil {
		return ""
	}
	for {
		path := filepath.Join(dir, configName)
		if _, err := os.Lstat(path); err == nil {
			return path
		}
		for _, root := range []string{"composer.json", "phpunit.xml", "phpunit.xml.dist", "phpunit.dist.xml"} {
			if isFile(filepath.Join(dir, root)) {
				return ""
			}
		}
		if dir == filepath.Dir(dir) {
			return ""
		}
		dir = filepath.Dir(dir)
	}
}

func isFile(path string) bool {
	info, err := os.Stat(path)
	return err == nil && info.Mode().IsRegular()
}

// decode checks keys and types and gives the values that are set. The errors say
// line and column.
func (c *configFile) decode() (map[string]any, error) {
	path, text := c.path, c.text
	var checked fileOptions
	err := toml.NewDecoder(bytes.NewReader(text)).DisallowUnknownFields().Decode(&checked)
	var missing *toml.StrictMissingError
	var fault *toml.DecodeError
	switch {
	case errors.As(err, &missing):
		var all []error
		for _, e := range missing.Errors {
			row, column := e.Position()
			key := strings.Join(e.Key(), ".")
			all = append(all, fmt.Errorf("%s:%d:%d: there is no option %s%s", path, row, column, key,
				meant(key, configKeys(), "; they are "+strings.Join(configKeys(), ", "))))
		}
		return nil, errors.Join(all...)
	case errors.As(err, &fault):
		row, column := fault.Position()
		text := strings.TrimPrefix(fault.Error(), "toml: ")
		if m := wrongType().FindStringSubmatch(text); m != nil {
			text = fmt.Sprintf("%s must be %s, not %s", strings.Join(fault.Key(), "."), typeName(m[2]), typeName(m[1]))
		}
		return nil, fmt.Errorf("%s:%d:%d: %s", path, row, column, text)
	case err != nil:
		return nil, fmt.Errorf("%s: %s", cmp.Or(c.refusedPair(), path), strings.TrimPrefix(err.Error(), "toml: "))
	}
	values := map[string]any{}
	return values, toml.Unmarshal(text, &values)
}

// wrongType is what the decoder says of a value of another type, in Go's terms.
var wrongType = sync.OnceValue(func() *regexp.Regexp {
	return regexp.MustCompile(`^cannot decode TOML (\S+) into struct field \S+ of type (\S+)$`)
})

func typeName(s string) string {
	switch {
	case s == "string", strings.HasPrefix(s, "main."):
		return "a string"
	case s == "bool", s == "boolean":
		return "true or false"
	case s == "int", s == "uint64", s == "integer", s == "float", s == "float64":
		return "a number"
	case strings.HasPrefix(s, "[]"), s == "array":
		return "a list"
	}
	return "a " + s
}

// configKeys lists what assay.toml may hold, sorted.
func configKeys() []string {
	var keys []string
	for _, f := range reflect.VisibleFields(reflect.TypeFor[fileOptions]()) {
		if key := f.Tag.Get("toml"); !f.Anonymous && key != "-" {
			keys = append(keys, key)
		}
	}
	slices.Sort(keys)
	return keys
}

// flagText gives the value of a text flag of the command that was chosen.
func flagText(ctx *kong.Context, name string) string {
	for _, flag := range ctx.Flags() {
		if flag.Name == name {
			return fmt.Sprint(ctx.FlagValue(flag))
		}
	}
	return ""
}
