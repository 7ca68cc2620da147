package project

import (
	"encoding/binary"
	"fmt"
	"os"
	osexec "os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"unicode/utf16"

	"github.com/google/go-cmp/cmp"
	"github.com/rogpeppe/go-internal/txtar"
)

// TestFind lays out the project of each archive in testdata/project and
// compares what Find makes of it with the section "want" (UPDATE=1 rewrites
// it). Lines of the archive's comment that begin with a known word and a colon
// set options; sections named "link PATH" hold where a symbolic link leads,
// "quoted PATH" a Go string for bytes that an archive cannot hold.
func TestFind(t *testing.T) {
	archives, err := filepath.Glob("../../testdata/project/*.txtar")
	if err != nil || len(archives) == 0 {
		t.Fatalf("no archives: %v", err)
	}
	for _, path := range archives {
		t.Run(strings.TrimSuffix(filepath.Base(path), ".txtar"), func(t *testing.T) { checkArchive(t, path) })
	}
}

func checkArchive(t *testing.T, path string) {
	arch, err := txtar.ParseFile(path)
	if err != nil {
		t.Fatal(err)
	}
	base := t.TempDir()
	t.Setenv("PATH", filepath.Join(base, "bin"))
	layFile(t, filepath.Join(base, "bin/php"), "#!/bin/sh\n")
	layFile(t, filepath.Join(base, "bin/phpunit"), "#!/usr/bin/env php\n<?php\n")
	root := filepath.Join(base, "project")
	want := -1
	for i, f := range arch.Files {
		if f.Name == "want" {
			want = i
			continue
		}
		layEntry(t, root, f)
	}
	opts, dir := archiveOptions(t, string(arch.Comment), base)
	p, err := Find(filepath.Join(root, dir), opts)
	got := strings.ReplaceAll(dump(p, err), base, "$BASE")
	if os.Getenv("UPDATE") == "1" {
		if want < 0 {
			arch.Files, want = append(arch.Files, txtar.File{Name: "want"}), len(arch.Files)
		}
		arch.Files[want].Data = []byte(got)
		if err := os.WriteFile(path, txtar.Format(arch), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	if want < 0 {
		t.Fatal("the archive has no section want")
	}
	if d := cmp.Diff(string(arch.Files[want].Data), got); d != "" {
		t.Errorf("-want +got:\n%s", d)
	}
}

// layEntry lays out one section of an archive, but not "want".
func layEntry(t *testing.T, root string, f txtar.File) {
	t.Helper()
	if f.Name == "want" {
		return
	}
	if name, ok := strings.CutPrefix(f.Name, "link "); ok {
		at := filepath.Join(root, name)
		if err := os.MkdirAll(filepath.Dir(at), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.Symlink(strings.TrimSpace(string(f.Data)), at); err != nil {
			t.Fatal(err)
		}
		return
	}
	name, data := f.Name, string(f.Data)
	if quoted, ok := strings.CutPrefix(name, "quoted "); ok {
		text, err := strconv.Unquote(strings.TrimSpace(data))
		if err != nil {
			t.Fatal(err)
		}
		name, data = quoted, text
	}
	layFile(t, filepath.Join(root, name), data)
}

func layFile(t *testing.T, path, data string) {
	t.Helper()
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, []byte(data), 0o755); err != nil {
		t.Fatal(err)
	}
}

func archiveOptions(t *testing.T, comment, base string) (opts Options, dir string) {
	for line := range strings.Lines(comment) {
		key, value, _ := strings.Cut(strings.TrimSpace(line), ": ")
		switch key {
		case "dir":
			dir = value
		case "config":
			opts.PHPUnitConfig = value
		case "paths":
			opts.Paths = strings.Split(value, ", ")
		case "exclude":
			opts.Exclude = strings.Split(value, ", ")
		case "phpunit":
			opts.PHPUnit = value
		case "php":
			opts.PHP = value
		case "limit":
			opts.MaxFileSize, _ = strconv.ParseInt(value, 10, 64)
		case "exact":
			opts.Exact = true
		case "source only":
			opts.SourceOnly = true
		case "no tools":
			if err := os.RemoveAll(filepath.Join(base, "bin")); err != nil {
				t.Fatal(err)
			}
		}
	}
	return opts, dir
}

// dump writes down all of a project that a user would ask about.
func dump(p *Project, err error) string {
	var b strings.Builder
	if p != nil {
		fmt.Fprintf(&b, "root %s\nname %s\n", p.Root, p.Name)
		for _, s := range []struct{ name, value string }{
			{"vendor", p.VendorDir}, {"above", p.Above}, {"autoload", p.Autoload}, {"bootstrap", p.Bootstrap},
			{"php", p.PHP}, {"phpunit", p.PHPUnit.Path}, {"test path", p.TestPath},
		} {
			if s.value != "" {
				fmt.Fprintf(&b, "%s %s\n", s.name, s.value)
			}
		}
		if p.PHPUnit.Phar {
			b.WriteString("phar\n")
		}
		for _, v := range p.PHPUnit.Env {
			fmt.Fprintf(&b, "env %s\n", v)
		}
		for _, f := range p.Tests {
			fmt.Fprintf(&b, "test %s\n", f)
		}
		for _, f := range p.Files {
			fmt.Fprintf(&b, "source %s\n", f)
		}
		for _, n := range p.Notes {
			fmt.Fprintf(&b, "note %s %s:%d %s\n", n.Kind, n.Path, n.Line, n.Text)
		}
	}
	for _, e := range Faults(err) {
		fmt.Fprintf(&b, "fault %d usage=%t %s\n", e.Kind, e.Usage(), e)
	}
	return b.String()
}

// TestUnreadable runs as a user who may not read everything: permissions do
// not bind root.
func TestUnreadable(t *testing.T) {
	base := t.TempDir()
	root := filepath.Join(base, "project")
	layFile(t, filepath.Join(root, "composer.json"), `{"autoload": {"psr-4": {"Ferry\\": "src"}}}`)
	layFile(t, filepath.Join(root, "src/Open.php"), "<?php\n")
	layFile(t, filepath.Join(root, "src/Shut.php"), "<?php\n")
	layFile(t, filepath.Join(root, "src/dir/Fare.php"), "<?php\n")
	for name, mode := range map[string]os.FileMode{"src/Shut.php": 0, "src/dir": 0} {
		path := filepath.Join(root, name)
		if err := os.Chmod(path, mode); err != nil {
			t.Fatal(err)
		}
		defer os.Chmod(path, 0o755)
	}
	var got string
	if os.Getuid() == 0 {
		got = asNobody(t, base, root)
	} else {
		got = dump(Find(root, Options{SourceOnly: true}))
	}
	want := fmt.Sprintf(`root %[1]s
name project
vendor %[1]s/vendor
source src/Open.php
note unreadable src/Shut.php:0 cannot be read (permission denied), so it is left out
note unreadable src/dir:0 cannot be read (permission denied), so it is left out
`, root)
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("-want +got:\n%s", d)
	}
}

// asNobody runs TestAsOther in a copy of this program that anyone may read.
func asNobody(t *testing.T, base, root string) string {
	self, err := os.ReadFile("/proc/self/exe")
	if err != nil {
		t.Fatal(err)
	}
	for _, dir := range []string{base, filepath.Dir(base)} {
		if err := os.Chmod(dir, 0o755); err != nil {
			t.Fatal(err)
		}
	}
	program := filepath.Join(base, "program")
	layFile(t, program, string(self))
	c := osexec.Command(program, "-test.run=^TestAsOther$")
	c.Dir = "/"
	c.Env = []string{"PROJECT_ROOT=" + root, "PATH=/usr/bin:/bin"}
	c.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: 65534, Gid: 65534}}
	out, err := c.Output()
	if err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	text, _, _ := strings.Cut(string(out), "PASS\n")
	return text
}

// TestAsOther is the half of TestUnreadable that runs as another user.
func TestAsOther(t *testing.T) {
	if root := os.Getenv("PROJECT_ROOT"); root != "" {
		fmt.Print(dump(Find(root, Options{SourceOnly: true})))
	}
}

// TestConfigFaults: each fault of the file says where it is.
func TestConfigFaults(t *testing.T) {
	cases := []struct{ text, want string }{
		{"", "phpunit.xml: is empty; correct it"},
		{"<phpunit>\n <testsuites>\n</phpunit>", "phpunit.xml:3: is not well-formed XML: element <testsuites> closed by </phpunit>; correct it"},
		{"<phpunit>\n<a b=c/></phpunit>", "phpunit.xml:2: is not well-formed XML: unquoted or missing attribute value in element; correct it"},
		{"<project/>", "phpunit.xml:1: its root element is <project>, not <phpunit>; name a PHPUnit configuration"},
		{"<phpunit/>\n<phpunit/>", "phpunit.xml:2: has a second root element <phpunit>; remove it"},
		{`<?xml version="1.0" encoding="EBCDIC"?><phpunit/>`, `phpunit.xml:1: is not well-formed XML: xml: opening charset "EBCDIC": its encoding "EBCDIC" is not known here; save it as UTF-8; correct it`},
		{"<phpunit>&nope;</phpunit>", "phpunit.xml:1: is not well-formed XML: invalid character entity &nope;; correct it"},
		{`<!DOCTYPE phpunit [<!ENTITY a "` + strings.Repeat("a", 60000) + `"><!ENTITY b "&a;&a;">]><phpunit/>`,
			"phpunit.xml:1: is not well-formed XML: its entity b stands for more than 65536 bytes; correct it"},
	}
	for _, c := range cases {
		path := filepath.Join(t.TempDir(), "phpunit.xml")
		layFile(t, path, c.text)
		_, err := LoadConfig(path)
		if err == nil {
			t.Errorf("%q: no error", c.text)
			continue
		}
		if got := strings.TrimPrefix(err.Error(), filepath.Dir(path)+"/"); got != c.want {
			t.Errorf("%q:\n got %s\nwant %s", c.text, got, c.want)
		}
	}
}

// TestConfigFacts: what others take from the configuration is there.
func TestConfigFacts(t *testing.T) {
	path := filepath.Join(t.TempDir(), "phpunit.xml")
	layFile(t, path, "\xef\xbb\xbf<?xml version=\"1.0\" encoding=\"ISO-8859-1\"?>\n"+`<phpunit processIsolation="true" cacheDirectory=".cache">
  <extensions><extension class="A\B" file="x.php"/><bootstrap class="C\D"/></extensions>
  <listeners><listener class="E"/></listeners>
  <php><ini name="memory_limit" value="64M"/><env name="APP_ENV" value="test" force="true"/><includePath>lib</includePath></php>
  <testsuites><testsuite name="f`+"\xe4"+`re"><directory suffix="Spec.php" prefix="x">spec</directory></testsuite></testsuites>
  <coverage><report><html outputDirectory="out"/></report></coverage>
</phpunit>`)
	c, fault := LoadConfig(path)
	if fault != nil {
		t.Fatal(fault)
	}
	want := &Config{
		Path:       path,
		Attributes: map[string]string{"processIsolation": "true", "cacheDirectory": ".cache"},
		Suites:     []Suite{{Name: "färe", Line: 6, Include: []Place{{Path: filepath.Join(filepath.Dir(path), "spec"), Prefix: "x", Suffix: "Spec.php", Line: 6}}}},
		Extensions: []Extension{{"extension", `A\B`, "x.php", 3}, {"bootstrap", `C\D`, "", 3}, {"listener", "E", "", 4}},
		Settings:   []Setting{{"ini", "memory_limit", "64M", false}, {"env", "APP_ENV", "test", true}, {"includePath", "", "lib", false}},
		Reports:    true,
	}
	if d := cmp.Diff(want, c); d != "" {
		t.Errorf("-want +got:\n%s", d)
	}
}

// TestConfigEncodings reads configurations that are not UTF-8, or have entities, and
// holds what is read against PHP's own DOM, which PHPUnit reads them with.
func TestConfigEncodings(t *testing.T) {
	const form = `<?xml version="1.0" encoding="%s"?>%s<phpunit bootstrap="%s.php"><testsuites><testsuite name="f%sre"><directory>%s</directory></testsuite></testsuites></phpunit>`
	plain := func(label, ae string) string { return fmt.Sprintf(form, label, "", "b"+ae, ae, "tests/"+ae) }
	wide := func(text string, order binary.AppendByteOrder, mark bool) string {
		var out []byte
		if mark {
			out = order.AppendUint16(out, 0xfeff)
		}
		for _, u := range utf16.Encode([]rune(text)) {
			out = order.AppendUint16(out, u)
		}
		return string(out)
	}
	declared := `<!DOCTYPE phpunit [ <!-- of ours --> <!ENTITY t "tests"> <!ENTITY u '&t;/&#xe4;'> <!ENTITY t "again"> <!ENTITY x SYSTEM "other.xml"> ]>`
	for name, text := range map[string]string{
		"UTF-16, little end first":        wide(plain("UTF-16", "ä"), binary.LittleEndian, true),
		"UTF-16, big end first":           wide(plain("UTF-16", "ä"), binary.BigEndian, true),
		"UTF-16LE, without a mark":        wide(plain("UTF-16LE", "ä"), binary.LittleEndian, false),
		"UTF-16BE, without a mark":        wide(plain("UTF-16BE", "ä"), binary.BigEndian, false),
		"Windows-1252":                    plain("windows-1252", "\xe4"),
		"ISO 8859-15":                     plain("ISO-8859-15", "\xe4"),
		"UTF-8":                           plain("UTF-8", "ä"),
		"entities":                        fmt.Sprintf(form, "UTF-8", declared, "b&#228;", "&#xE4;", "&u;&x;"),
		"entities, without a declaration": declared + "<phpunit bootstrap='b&#228;.php'><testsuites><testsuite name='färe'><directory>&u;</directory></testsuite></testsuites></phpunit>",
	} {
		t.Run(name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "phpunit.xml")
			layFile(t, path, text)
			out, err := osexec.Command("php", "-r", `$d = new DOMDocument; $d->loadXML(file_get_contents($argv[1])) || exit(1);
				echo $d->documentElement->getAttribute('bootstrap'), '|', $d->getElementsByTagName('testsuite')->item(0)->getAttribute('name'), '|',
					$d->getElementsByTagName('directory')->item(0)->textContent;`, path).CombinedOutput()
			if err != nil || string(out) != "bä.php|färe|tests/ä" {
				t.Fatalf("PHP reads %s (%v)", out, err)
			}
			c, fault := LoadConfig(path)
			if fault != nil {
				t.Fatal(fault)
			}
			dir, _ := below(filepath.Dir(path), c.Suites[0].Include[0].Path)
			if got := c.Attributes["bootstrap"] + "|" + c.Suites[0].Name + "|" + dir; got != string(out) {
				t.Errorf("got %s, PHP reads %s", got, out)
			}
		})
	}
}
