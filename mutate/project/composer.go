package project

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// A Composer holds what composer.json says, as far as it matters here.
type Composer struct {
	Path        string // absolute
	Name        string `json:"name"`
	Autoload    Rules  `json:"autoload"`
	AutoloadDev Rules  `json:"autoload-dev"`
	Config      struct {
		VendorDir string `json:"vendor-dir"`
		BinDir    string `json:"bin-dir"`
	} `json:"config"`
}

// Rules are the autoload rules of composer.json; paths are as written there.
type Rules struct {
	PSR4     map[string]paths `json:"psr-4"`
	PSR0     map[string]paths `json:"psr-0"`
	Classmap []string         `json:"classmap"`
	Files    []string         `json:"files"`
	Exclude  []string         `json:"exclude-from-classmap"`
}

// paths is a string or a list of strings in JSON.
type paths []string

// UnmarshalJSON takes both forms.
func (p *paths) UnmarshalJSON(data []byte) error {
	if len(data) > 0 && data[0] == '"' {
		*p = paths{""}
		return json.Unmarshal(data, &(*p)[0])
	}
	return json.Unmarshal(data, (*[]string)(p))
}

// UnmarshalJSON reads the rules; PHP writes an empty map as "[]".
func (r *Rules) UnmarshalJSON(data []byte) error {
	var raw map[string]json.RawMessage
	if isEmptyList(data) {
		return nil
	}
	if err := json.Unmarshal(data, &raw); err != nil {
		return err
	}
	for key, into := range map[string]any{
		"psr-4": &r.PSR4, "psr-0": &r.PSR0, "classmap": &r.Classmap,
		"files": &r.Files, "exclude-from-classmap": &r.Exclude,
	} {
		if v, ok := raw[key]; ok && !isEmptyList(v) {
			if err := json.Unmarshal(v, into); err != nil {
				return fmt.Errorf("%q: %w", key, err)
			}
		}
	}
	return nil
}

func isEmptyList(data []byte) bool {
	var list []json.RawMessage
	return json.Unmarshal(data, &list) == nil && len(list) == 0
}

// readComposer reads the root's composer.json. A package of a monorepo may have none
// of its own: then the nearest one above tells where vendor is, but its autoload rules
// are about other code.
func (f *finder) readComposer() {
	f.Name = filepath.Base(f.Root)
	if c := f.nextComposer(f.Root); c != nil {
		f.packages = c
		if filepath.Dir(c.Path) == f.Root {
			f.Composer = c
			if c.Name != "" {
				f.Name = c.Name
			}
		}
	}
	f.takeVendor()
}

// nextComposer reads the nearest composer.json, in a directory or above; nil where there
// is none that can be read.
func (f *finder) nextComposer(at string) *Composer {
	for last := ""; at != last; last, at = at, filepath.Dir(at) {
		if path := filepath.Join(at, "composer.json"); isFile(path) {
			c, err := loadComposer(path)
			if err != nil {
				err.Path = f.rel(err.Path)
				f.fail(err)
				return nil
			}
			return c
		}
	}
	return nil
}

// above reads the next composer.json above another one.
func (f *finder) above(c *Composer) *Composer {
	dir := filepath.Dir(c.Path)
	if dir == filepath.Dir(dir) {
		return nil
	}
	return f.nextComposer(filepath.Dir(dir))
}

func (f *finder) takeVendor() {
	f.VendorDir = filepath.Join(f.Root, "vendor")
	if f.packages != nil {
		f.VendorDir = f.packages.vendorDir()
	}
	f.Autoload = ""
	if path := filepath.Join(f.VendorDir, "autoload.php"); isFile(path) {
		f.Autoload = path
	}
}

// lookAbove finds what the project needs in directories above it. Where it has a
// composer.json and no packages of its own, they are those of a monorepo above whose
// autoloader knows the code here.
func (f *finder) lookAbove() {
	for c := f.packages; c != nil && f.Autoload == ""; {
		if c = f.above(c); c != nil && f.knows(c) {
			f.packages = c
			f.takeVendor()
		}
	}
	if f.Autoload != "" {
		f.needAbove(filepath.Dir(f.VendorDir))
	}
	if f.Config != nil && f.Bootstrap != "" && !filepath.IsAbs(strings.TrimSpace(f.Config.Attributes["bootstrap"])) {
		for c := f.packages; c != nil; c = f.above(c) {
			top := filepath.Dir(c.Path)
			if _, in := below(top, f.Bootstrap); in {
				f.needAbove(top)
				break
			}
		}
	}
}

// needAbove notes that the project needs what is in a directory, at the same place
// relative to itself.
func (f *finder) needAbove(dir string) {
	_, inside := below(f.Root, dir)
	if _, known := below(dir, f.Above); !inside && (f.Above == "" || known) {
		f.Above = dir
	}
}

// knows reports whether the packages of a composer.json above are those that the code
// here is run with: its autoloader finds it, or the bootstrap is among them.
func (f *finder) knows(c *Composer) bool {
	if !isFile(filepath.Join(c.vendorDir(), "autoload.php")) {
		return false
	}
	if _, in := below(c.vendorDir(), f.Bootstrap); f.Bootstrap != "" && in {
		return true
	}
	if real, err := filepath.EvalSymlinks(filepath.Join(c.vendorDir(), filepath.FromSlash(f.Name))); err == nil && real == f.Root {
		return true
	}
	for _, p := range append(c.places(c.Autoload), c.places(c.AutoloadDev)...) {
		_, in := below(f.Root, p.path)
		_, around := below(p.path, f.Root)
		if in || around {
			return true
		}
	}
	return false
}

func loadComposer(path string) (*Composer, *Error) {
	text, err := ReadFile(path)
	if err != nil {
		return nil, &Error{Kind: BadJSON, Path: path, Fault: "cannot be read: " + reason(err), Advice: "make it readable"}
	}
	c := &Composer{Path: path}
	if err := json.Unmarshal(text, c); err != nil {
		e := &Error{Kind: BadJSON, Path: path, Fault: "is not valid JSON: " + err.Error(), Advice: "correct it; `composer validate` checks the whole file"}
		var syntax *json.SyntaxError
		var kind *json.UnmarshalTypeError
		switch {
		case errors.As(err, &syntax):
			e.Line, e.Column = lineColumn(text, int(syntax.Offset)-1)
		case errors.As(err, &kind):
			e.Fault = fmt.Sprintf("holds a %s where Composer wants something else (%s)", kind.Value, err)
			e.Line, _ = lineColumn(text, fieldOffset(text, err.Error(), int(kind.Offset)))
		}
		return nil, e
	}
	return c, nil
}

// fieldOffset finds the key that a nested reader named at the front of its
// message ("psr-4": ...), since its own offset counts from its part only.
func fieldOffset(text []byte, message string, offset int) int {
	if strings.HasPrefix(message, `"`) {
		if end := strings.Index(message[1:], `"`); end > 0 {
			if i := bytes.Index(text, []byte(message[:end+2])); i >= 0 {
				return i
			}
		}
	}
	return offset - 1
}

// lineColumn gives the 1-based line and column (bytes) of a 0-based offset.
func lineColumn(text []byte, offset int) (line, column int) {
	offset = max(0, min(offset, len(text)))
	before := text[:offset]
	return bytes.Count(before, []byte("\n")) + 1, offset - bytes.LastIndexByte(before, '\n')
}

func (c *Composer) vendorDir() string {
	dir := c.Config.VendorDir
	if dir == "" {
		dir = "vendor"
	}
	return c.abs(dir)
}

func (c *Composer) binDir() string {
	if c.Config.BinDir == "" {
		return filepath.Join(c.vendorDir(), "bin")
	}
	return c.abs(strings.ReplaceAll(c.Config.BinDir, "{$vendor-dir}", c.vendorDir()))
}

// abs resolves a path of composer.json.
func (c *Composer) abs(path string) string {
	if home, err := os.UserHomeDir(); err == nil {
		for _, prefix := range []string{"~/", "$HOME/"} {
			if rest, ok := strings.CutPrefix(path, prefix); ok {
				return filepath.Join(home, rest)
			}
		}
	}
	if filepath.IsAbs(path) {
		return filepath.Clean(path)
	}
	return filepath.Join(filepath.Dir(c.Path), path)
}

// places turns autoload rules into places to look for code.
func (c *Composer) places(r Rules) []place {
	var out []place
	for _, prefix := range sortedKeys(r.PSR4) {
		for _, dir := range r.PSR4[prefix] {
			out = append(out, place{path: c.abs(dir), suffixes: php})
		}
	}
	for _, prefix := range sortedKeys(r.PSR0) {
		// PSR-0: "\" always, and "_" in a class name, stand for "/"; a prefix
		// that ends in neither also covers longer names ("Ferry" covers
		// FerryLine.php).
		path := strings.ReplaceAll(prefix, `\`, "/")
		for _, dir := range r.PSR0[prefix] {
			out = append(out, place{path: c.abs(dir), suffixes: php, under: []string{path, strings.ReplaceAll(path, "_", "/")}})
		}
	}
	for _, path := range r.Classmap {
		out = append(out, place{path: c.abs(path), suffixes: []string{".php", ".inc"}})
	}
	for _, path := range r.Files {
		out = append(out, place{path: c.abs(path)})
	}
	return out
}

// excluded gives patterns, relative to composer.json, of what
// exclude-from-classmap names: "/Tests/" anchors at composer.json and covers
// everything below; "*" matches within one name.
func (c *Composer) excluded() []string {
	var out []string
	for _, e := range c.Autoload.Exclude {
		if e = strings.Trim(filepath.ToSlash(filepath.Clean(e)), "/"); e != "." && e != "" {
			out = append(out, e)
		}
	}
	return out
}

func sortedKeys(m map[string]paths) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}
