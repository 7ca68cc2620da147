//go:build linux

package main

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"runtime"
	"slices"
	"strings"
	"sync"

	"golang.org/x/sync/errgroup"

	"assay/mutate/project"
)

// The kernel tells which files are opened, and not who asks whether one is there, how old it
// is or who may read it. Code that asks so names a function for it, and what it uses rests
// on all that could be the answer.

// asks says what code may ask for without opening anything.
type asks struct {
	places bool // which directories there are, and who may do what with files
	times  bool // how large and how old files are, and what programs can find out
}

var (
	asksPlaces = sync.OnceValue(func() *regexp.Regexp {
		return regexp.MustCompile(`(?i)\b(is_dir|is_file|is_link|file_exists|is_readable|is_writable|is_writeable|is_executable|fileperms|fileowner|filegroup|` +
			`filetype|realpath|readlink|glob|posix_access|disk_free_space|stream_resolve_include_path|(Spl(File(Info|Object)|TempFileObject)|(Filesystem|Glob|Directory)Iterator))\b`)
	})
	asksTimes = sync.OnceValue(func() *regexp.Regexp {
		return regexp.MustCompile(`(?i)\b(filemtime|fileatime|filectime|fileinode|filesize|l?stat|fstat|touch|linkinfo|get([AMC]Time|Size|Inode)|` +
			`SplFileInfo|getlastmod|exec|shell_exec|proc_open|popen|passthru|system|pcntl_exec)\b|=\s*` + "`")
	})
)

// asksOf finds out what a file asks for. Files of PHPUnit and Composer do not count: what
// they ask for shows in the tests that there are.
func (s *situation) asksOf(p string) asks {
	a, ok := s.asking[p]
	if !ok && !strings.HasSuffix(p, "/") && !outsiders().MatchString(p) {
		switch text, err := project.ReadFile(s.absolute(p)); {
		case p == "*":
			a = asks{true, true}
		case err == nil && strings.Contains(string(text), "<?"):
			a = asks{asksPlaces().Match(text), asksTimes().Match(text)}
		}
	}
	s.asking[p] = a
	return a
}

// around sums up what the code in some files may ask for; "" for nothing.
func (s *situation) around(paths []string) string {
	var all asks
	for _, p := range paths {
		a := s.asksOf(p)
		all.places, all.times = all.places || a.places, all.times || a.times
	}
	text := ""
	if all.places {
		text += s.places()
	}
	if all.times {
		text += s.times() + s.version()
	}
	return text
}

// places sums up the directories of the project and the modes of its files.
func (s *situation) places() string {
	return s.once("places", func() string {
		return s.walked(func(name string, info fs.FileInfo) string {
			if info.IsDir() || !strings.HasSuffix(name, ".php") || info.Mode().Perm()&0o111 != 0 || info.Mode().Perm()&0o600 != 0o600 {
				return fmt.Sprintf("%s %o", name, info.Mode())
			}
			return "" // that it is there is known otherwise
		})
	})
}

// times sums up how large and old files of the project are.
func (s *situation) times() string {
	return s.once("times", func() string {
		return s.walked(func(name string, info fs.FileInfo) string {
			if info.IsDir() {
				return ""
			}
			return fmt.Sprintf("%s %d %d", name, info.Size(), info.ModTime().UnixNano())
		})
	})
}

// version sums up what version control knows: all of .git but the objects, which have their
// sums for names, and what only it itself writes to.
func (s *situation) version() string {
	return s.once("version", func() string {
		for dir := s.root; ; dir = filepath.Dir(dir) {
			if _, err := os.Lstat(filepath.Join(dir, ".git")); err == nil {
				sum, err := treeSum(filepath.Join(dir, ".git"), func(rel string) bool {
					return rel == "objects" || rel == "logs" || rel == "hooks" || strings.HasSuffix(rel, ".lock")
				})
				if err != nil {
					return err.Error()
				}
				return sum
			}
			if dir == filepath.Dir(dir) {
				return ""
			}
		}
	})
}

func (s *situation) once(what string, find func() string) string {
	sum, ok := s.paths["\x00"+what]
	if !ok {
		sum = find()
		s.paths["\x00"+what] = sum
	}
	return sum
}

// walked sums up what a function says of the files and directories of the project. Packages,
// version control, what PHPUnit keeps for itself and outputs are left out.
func (s *situation) walked(say func(name string, info fs.FileInfo) string) string {
	var text []string
	filepath.WalkDir(s.root, func(p string, d fs.DirEntry, err error) error {
		rel, relErr := filepath.Rel(s.root, p)
		if err != nil || relErr != nil || rel == "." {
			return nil
		}
		if strings.HasPrefix(d.Name(), ".phpunit") || slices.Contains(s.outputs, p) || rel == "vendor" || rel == "node_modules" || rel == ".git" {
			if d.IsDir() {
				return filepath.SkipDir
			}
			return nil
		}
		if info, err := d.Info(); err == nil {
			if line := say(filepath.ToSlash(rel), info); line != "" {
				text = append(text, line)
			}
		}
		return nil
	})
	return sumOf(text...)
}

// behindLink sums up what a link in a directory leads to; "" for what lies in that directory,
// or has it in itself.
func behindLink(dir, link string) (string, error) {
	real, err := filepath.EvalSymlinks(link)
	if err != nil {
		return "", nil // it leads nowhere
	}
	if top, err := filepath.EvalSymlinks(filepath.Dir(dir)); err != nil || within(top, real) || within(real, top) {
		return "", err
	}
	return treeSum(real, func(rel string) bool { return rel == ".git" || rel == "vendor" || rel == "node_modules" })
}

func within(dir, path string) bool {
	rel, err := filepath.Rel(dir, path)
	return err == nil && rel != ".." && !strings.HasPrefix(rel, "../")
}

// treeSum is over all that is in a directory: names, links and the bytes of files. leave says
// which paths, relative to it, are left out. A file in its place is summed up alone, and ""
// stands for nothing at all.
func treeSum(dir string, leave func(rel string) bool) (string, error) {
	lines := map[string]string{}
	var mu sync.Mutex
	var g errgroup.Group
	g.SetLimit(2 * runtime.GOMAXPROCS(0))
	add := func(rel, line string) {
		mu.Lock()
		defer mu.Unlock()
		lines[rel] = line
	}
	err := filepath.WalkDir(dir, func(p string, d fs.DirEntry, err error) error {
		if os.IsNotExist(err) {
			return nil
		}
		if err != nil {
			return err
		}
		rel, err := filepath.Rel(dir, p)
		if err != nil {
			return err
		}
		if leave != nil && leave(rel) {
			if d.IsDir() {
				return filepath.SkipDir
			}
			return nil
		}
		switch {
		case d.IsDir():
			add(rel, "directory")
		case d.Type()&fs.ModeSymlink != 0:
			to, err := os.Readlink(p)
			if err != nil {
				return err
			}
			behind, err := behindLink(dir, p)
			add(rel, "-> "+to+" "+behind)
			return err
		default:
			g.Go(func() error {
				add(rel, fileSum(p))
				return nil
			})
		}
		return nil
	})
	if waited := g.Wait(); err == nil {
		err = waited
	}
	if err != nil || len(lines) == 0 {
		return "", err
	}
	h := sha256.New()
	for _, rel := range sortedKeys(lines) {
		fmt.Fprintf(h, "%q %s\n", rel, lines[rel])
	}
	return hex.EncodeToString(h.Sum(nil)), nil
}
