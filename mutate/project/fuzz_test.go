package project

import (
	"os"
	"path/filepath"
	"testing"
)

// fuzzFile has each text be read from a file of one name, in a folder of its own.
func fuzzFile(f *testing.F, name string, read func(path string)) {
	f.Fuzz(func(t *testing.T, text []byte) {
		path := filepath.Join(t.TempDir(), name)
		if err := os.WriteFile(path, text, 0o600); err != nil {
			t.Fatal(err)
		}
		read(path)
	})
}

// FuzzComposer: whatever composer.json holds, reading it and finding the project does not
// panic.
func FuzzComposer(f *testing.F) {
	f.Add([]byte(`{"name": "a/b", "autoload": {"psr-4": {"A\\": ["src/", "lib"]}, "classmap": ["x"], "files": ["y.php"], "exclude-from-classmap": ["**/t/"]}, "config": {"vendor-dir": "v", "bin-dir": "b"}}`))
	f.Add([]byte(`{"autoload": []}`))
	f.Add([]byte(`{"autoload": {"psr-4": {"": "../.."}}}`))
	fuzzFile(f, "composer.json", func(path string) {
		if c, fault := loadComposer(path); fault == nil {
			c.vendorDir()
			c.binDir()
			c.excluded()
		}
		Find(filepath.Dir(path), Options{SourceOnly: true})
	})
}

// FuzzPHPUnit: whatever phpunit.xml holds, reading it and finding the project does not panic.
func FuzzPHPUnit(f *testing.F) {
	f.Add([]byte(`<phpunit bootstrap="b.php"><testsuites><testsuite name="a"><directory suffix="T.php">t</directory><file>x</file><exclude>y</exclude></testsuite></testsuites><source><include><directory>src</directory></include></source><php><env name="A" value="b" force="true"/></php></phpunit>`))
	f.Add([]byte(`<?xml version="1.0" encoding="UTF-16"?><phpunit/>`))
	f.Add([]byte(`<!DOCTYPE x [<!ENTITY a "b">]><phpunit>&a;</phpunit>`))
	fuzzFile(f, "phpunit.xml", func(path string) {
		LoadConfig(path)
		Find(filepath.Dir(path), Options{SourceOnly: true})
	})
}
