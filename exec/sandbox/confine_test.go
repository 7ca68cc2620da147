//go:build linux

package sandbox

import (
	"bytes"
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	osexec "os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"assay/exec/sandbox/sandboxtest"
)

// attempts is a PHP program that tries to do harm in every way that a mutant is
// likely to, and then what tests rightly do. It prints {name: it worked}.
// Arguments: a folder outside, a port of TCP and UDP, a socket file, an
// abstract socket; something answers at each of the four.
const attempts = `
error_reporting(0);
[, $out, $port, $file, $abstract] = $argv;
$in = getcwd();
$tmp = getenv('TMPDIR');
file_put_contents("$in/mine", 'mine');
$ask = function (string $where) {
	$s = stream_socket_client($where, $code, $message, 1);
	if (!$s) { return false; }
	stream_set_timeout($s, 1);
	return fwrite($s, "hello\n") && fgets($s) === "hello\n";
};
$sh = fn (string $script) => exec("sh -c '$script' 2>/dev/null; echo $?") === '0';
$tries = [
	'unlink' => fn () => unlink("$out/a"),
	'overwrite' => fn () => file_put_contents("$out/b", 'x') !== false,
	'append' => fn () => file_put_contents("$out/c", 'x', FILE_APPEND) !== false,
	'create' => fn () => file_put_contents("$out/new", 'x') !== false,
	'truncate' => fn () => ($h = fopen("$out/d", 'r+')) && ftruncate($h, 0),
	'mkdir' => fn () => mkdir("$out/made"),
	'rmdir' => fn () => rmdir("$out/empty"),
	'rename' => fn () => rename("$out/e", "$out/e2"),
	'move in' => fn () => rename("$out/f", "$in/f") && !file_exists("$out/f"),
	'move out' => fn () => rename("$in/mine", "$out/g"),
	'symlink' => fn () => symlink('x', "$out/link"),
	'hard link' => fn () => link("$out/h", "$out/h2"),
	'copy' => fn () => copy('/etc/passwd', "$out/i"),
	'fifo' => fn () => posix_mkfifo("$out/fifo", 0600),
	'through a link' => fn () => file_put_contents("$in/outward/j", 'x') !== false,
	'shell' => fn () => $sh("rm -rf $out/dir/*; ! test -e $out/dir/k"),
	'session of its own' => fn () => $sh("setsid sh -c \"echo x >$out/l\"; grep -q x $out/l"),
	'chmod' => fn () => chmod("$out/m", 0600),
	'touch' => fn () => touch("$out/n", 1),
	'tcp' => fn () => $ask("tcp://127.0.0.1:$port"),
	'udp' => fn () => $ask("udp://127.0.0.1:$port"),
	'socket file' => fn () => $ask("unix://$file"),
	'abstract socket' => fn () => $ask("unix://\0$abstract"),

	'own: project' => fn () => file_put_contents("$in/own", 'x') && mkdir("$in/own.d") && rename("$in/own", "$in/own.d/own"),
	'own: temp' => fn () => ($f = tempnam(sys_get_temp_dir(), 'x')) && str_starts_with($f, $tmp) && file_put_contents($f, 'x') && unlink($f),
	'own: null' => fn () => file_put_contents('/dev/null', 'x') === 1,
	'own: output' => fn () => file_put_contents('php://stderr', 'x') === 1 && $sh('echo x >/dev/stdout'),
	'own: terminal' => fn () => ($p = proc_open('echo hi', [['pty'], ['pty'], ['pty']], $pipes)) && trim(fgets($pipes[1])) === 'hi',
	'own: socket' => fn () => ($s = stream_socket_server("unix://$tmp/s")) && stream_socket_client("unix://$tmp/s"),
	'own: server' => fn () => ($s = stream_socket_server('tcp://127.0.0.1:0')) && stream_socket_client('tcp://' . stream_socket_get_name($s, false)),
	'own: signal' => fn () => ($p = proc_open('exec sleep 9', [], $pipes)) && proc_terminate($p) && proc_close($p) !== 0,
];
echo json_encode(array_map(fn ($try) => (bool) $try(), $tries));
`

func init() {
	cases["attempts"] = func(k insideT, arg string) {
		g, err := NewGuard(k.v)
		k.must(err)
		cmd := osexec.Command("/usr/bin/php", append([]string{"-r", attempts, "--"}, strings.Fields(arg)...)...)
		var out, errs bytes.Buffer
		cmd.Dir, cmd.Stdout, cmd.Stderr = k.v.Root(), &out, &errs
		cmd.Env = append(os.Environ(), "TMPDIR="+k.v.Temp())
		k.must(g.Start(cmd))
		if err := cmd.Wait(); err != nil {
			k.fatalf("%v: %s", err, &errs)
		}
		fmt.Print(out.String())
	}
}

// confinementOf is what can be done on these terms on this machine.
func confinementOf(t *testing.T, terms Terms) Confinement {
	t.Helper()
	p, err := PlanConfinement(terms, FindAbilities(terms.Mode, len(terms.Ports) == 0))
	if err != nil {
		t.Fatal(err)
	}
	return p.Confinement
}

// tryHarm makes the attempts in a supervisor, confined or not, and gives those that
// worked, the rightful ones ("own: ...") that did not, and whether the outside was
// changed.
func tryHarm(t *testing.T, terms Terms, confined bool, out string, c *sandboxtest.Callees) (worked, hindered []string, changed bool) {
	t.Helper()
	terms.Root = filepath.Join(t.TempDir(), "p")
	sampleProject(t, terms.Root)
	if err := os.Symlink(out, filepath.Join(terms.Root, "outward")); err != nil {
		t.Fatal(err)
	}
	beforeRoot, before := sandboxtest.Snapshot(t, terms.Root), sandboxtest.Snapshot(t, out)
	var confinement Confinement
	if confined {
		confinement = confinementOf(t, terms)
	}
	dir := t.TempDir()
	t.Cleanup(func() { RemoveTree(dir) })
	text := runInside(t, Spec{Mode: terms.Mode, Root: terms.Root, Dir: dir, Keep: terms.Sockets, Confinement: confinement},
		fmt.Sprintf("attempts %s %d %s %s", out, c.Port, c.File, c.Abstract), nil)
	var results map[string]bool
	if err := json.Unmarshal([]byte(text), &results); err != nil {
		t.Fatalf("%v: %s", err, text)
	}
	for name, ok := range results {
		own := strings.HasPrefix(name, "own: ")
		switch {
		case ok && !own:
			worked = append(worked, name)
		case !ok && own:
			hindered = append(hindered, name)
		}
	}
	slices.Sort(worked)
	if len(results) < 30 {
		t.Fatalf("only %d attempts", len(results))
	}
	if sandboxtest.Snapshot(t, terms.Root) != beforeRoot {
		t.Error("the project was changed")
	}
	return worked, hindered, sandboxtest.Snapshot(t, out) != before
}

// TestConfined lets a program do its worst, in each view, confined and not.
func TestConfined(t *testing.T) {
	var loose []string // what there is besides namespaces does not keep from
	if os.Geteuid() != 0 || sandboxtest.InContainer() {
		loose = []string{"abstract socket", "udp"}
	}
	for _, mode := range placeModes(t) {
		terms, want := Terms{Mode: mode}, loose
		if mode == Overlay {
			want = nil
		}
		t.Run(mode.String(), func(t *testing.T) {
			out := sandboxtest.Outside(t)
			worked, hindered, changed := tryHarm(t, terms, true, out, sandboxtest.Listen(t, out))
			if !slices.Equal(worked, want) {
				t.Errorf("these attempts worked: %q, want %q", worked, want)
			}
			if changed {
				t.Error("the outside was changed")
			}
			if i := slices.Index(hindered, "own: server"); i >= 0 && mode == Copy && loose != nil {
				hindered = slices.Delete(hindered, i, i+1) // it would take --allow-connect
			}
			if len(hindered) > 0 {
				t.Errorf("this should have worked: %q", hindered)
			}
		})
		t.Run(mode.String()+", not confined", func(t *testing.T) {
			out := sandboxtest.Outside(t)
			worked, hindered, _ := tryHarm(t, terms, false, out, sandboxtest.Listen(t, out))
			if all := strings.Count(attempts, "=> fn () =>") - strings.Count(attempts, "'own: "); len(worked) != all || len(hindered) > 0 {
				t.Errorf("%d of %d attempts worked (%q), and not %q", len(worked), all, worked, hindered)
			}
		})
	}
}

// TestAllowed allows places, and looks that they alone are open.
func TestAllowed(t *testing.T) {
	for _, mode := range placeModes(t) {
		t.Run(mode.String(), func(t *testing.T) {
			out := sandboxtest.Outside(t)
			c := sandboxtest.Listen(t, t.TempDir())
			terms := Terms{Mode: mode, Write: []string{filepath.Join(out, "b"), filepath.Join(out, "dir")},
				Ports: []uint16{c.Port}, Sockets: []string{c.File}}
			worked, _, _ := tryHarm(t, terms, true, out, c)
			// The network is shared then, and Landlock knows only TCP.
			want := []string{"abstract socket", "overwrite", "shell", "socket file", "tcp", "udp"}
			if !slices.Equal(worked, want) {
				t.Errorf("these attempts worked: %q, want %q", worked, want)
			}
			other := sandboxtest.Listen(t, out)
			other.Abstract = c.Abstract
			terms.Sockets = nil
			worked, _, _ = tryHarm(t, terms, true, sandboxtest.Outside(t), other)
			for _, name := range []string{"tcp", "overwrite", "shell"} {
				if slices.Contains(worked, name) {
					t.Errorf("another port, another folder: %s worked", name)
				}
			}
		})
	}
}

// TestConfinedOnDisk: the layers must stay writable for the supervisor when the disk
// that they are on does not.
func TestConfinedOnDisk(t *testing.T) {
	root, dir := filepath.Join(t.TempDir(), "p"), t.TempDir()
	t.Cleanup(func() { RemoveTree(dir) })
	sampleProject(t, root)
	before := sandboxtest.Snapshot(t, root)
	c := confinementOf(t, Terms{Root: root, Mode: Overlay})
	for _, name := range []string{"swap", "add", "damage", "accept"} {
		mine := filepath.Join(dir, name)
		if err := os.Mkdir(mine, 0o700); err != nil {
			t.Fatal(err)
		}
		runInside(t, Spec{Mode: Overlay, Root: root, Dir: mine, MemoryLimit: -1, Confinement: c}, name, nil)
	}
	if sandboxtest.Snapshot(t, root) != before {
		t.Error("the project was changed")
	}
}

// TestAllowedInTemp allows a folder in a temp directory that the view replaces,
// and the temp directory itself, which stays private.
func TestAllowedInTemp(t *testing.T) {
	root, mine := filepath.Join(t.TempDir(), "p"), t.TempDir()
	sampleProject(t, root)
	c := confinementOf(t, Terms{Root: root, Mode: Overlay, Write: []string{mine, "/tmp"}})
	foreign := filepath.Join("/tmp", "assay-test-"+rand.Text())
	runInside(t, Spec{Mode: Overlay, Root: root, Dir: t.TempDir(), Confinement: c}, "allowed "+mine+" "+foreign, nil)
	if text, err := os.ReadFile(filepath.Join(mine, "written")); err != nil || string(text) != "x\n" {
		t.Errorf("in the allowed folder: %q, %v", text, err)
	}
	if _, err := os.Stat(foreign); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("%s: %v; it should have been private", foreign, err)
	}
}

func init() {
	cases["allowed"] = func(k insideT, arg string) {
		mine, foreign, _ := strings.Cut(arg, " ")
		g, err := NewGuard(k.v)
		k.must(err)
		cmd := osexec.Command("/bin/sh", "-ec", "echo x >"+mine+"/written; echo x >"+foreign)
		var errs bytes.Buffer
		cmd.Stderr = &errs
		k.must(g.Start(cmd))
		if err := cmd.Wait(); err != nil {
			k.fatalf("%v: %s", err, &errs)
		}
	}
}
