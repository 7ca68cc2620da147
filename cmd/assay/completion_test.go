//go:build linux

package main

import (
	"bytes"
	"os"
	osexec "os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"assay/mutate"
)

// completionPlace makes a project with a last run of three mutants, one of which is accepted,
// and a cache of its own, and goes there.
func completionPlace(t *testing.T) {
	t.Helper()
	dir := t.TempDir()
	t.Setenv("XDG_CACHE_HOME", t.TempDir())
	t.Setenv("COLUMNS", "80")
	for path, text := range map[string]string{
		"composer.json":    `{"name": "tide/tables", "autoload": {"psr-4": {"": "src/"}}}`,
		"src/Tide.php":     "<?php\nclass Tide { function high(int $m): bool { return $m > 3 && $m != 7; } }\n",
		"my night.json":    "{}",
		"assay.accepted":   "Tide.high.not-equal.aaaaa a4m93gjwib src/Tide.php because seven never comes\n",
		"tests/placed.txt": "",
	} {
		if err := os.MkdirAll(filepath.Dir(filepath.Join(dir, path)), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(dir, path), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	t.Chdir(dir)
	code, err := load(t.Context(), sourceOptions{Project: ".", Breadth: "core"}, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	r := &mutate.Result{Root: code.Root, Breadth: "core"}
	for i, m := range code.mutants {
		status := []mutate.Status{mutate.Survived, mutate.Killed, mutate.Unreached}[i%3]
		v := mutate.Verdict{Mutant: m, Status: status}
		r.Verdicts = append(r.Verdicts, v)
	}
	if err := saveLastRun(r); err != nil {
		t.Fatal(err)
	}
}

// completedTo runs assay completion for words behind assay and gives what it prints.
func completedTo(t *testing.T, words ...string) []string {
	t.Helper()
	var out, errs bytes.Buffer
	if status := run(&out, &errs, append([]string{"completion", "bash", "--"}, words...)); status != statusFine || errs.Len() > 0 {
		t.Errorf("%q: status %d, %s", words, status, &errs)
	}
	return strings.FieldsFunc(out.String(), func(r rune) bool { return r == '\n' })
}

func TestCompletion(t *testing.T) {
	completionPlace(t)
	for _, row := range []struct {
		words string // parted by blanks; the last is being written
		want  string // the texts, or their beginning where there is an ellipsis
	}{
		{"in", "inspect"},
		{"", "run list ..."},
		{"--he", "--help"},
		{"run --vi", "--view"},
		{"run --view ", "auto overlay copy"},
		{"run --view=o", "--view=overlay"},
		{"run --jobs ", ""},
		{"run -j4 --ke", "--keep"},
		{"run -j 4 --ke", "--keep"},
		{"run --keep --ke", ""},
		{"run --conf", "--config"},
		{"run --no-c", "--no-confine"},
		{"run --project ", ":files"},
		{"run --write=js", "--write=json="},
		{"run --write json=", ":files"},
		{"run --write json=x --write ma", "markdown= matrix="},
		{"run --disable arr", "array array/all-dropped ..."},
		{"run --disable=loop,tern", "--disable=loop,ternary ..."},
		{"run -- -", ":files"},
		{"run sr", ":files"},
		{"list src/Tide.php ", ":files"},
		{"history --write ", "html="},
		{"operators ter", "ternary ..."},
		{"help acc", "accept"},
		{"manual ru", "run"},
		{"completion ", "bash zsh fish"},
		{"report ", ":files"},
		{"report result.json ", ""},
		{"no-such-command x", ""},
		{"run --no-such-flag --vi", "--view"},
	} {
		var got []string
		for _, line := range completedTo(t, strings.Split(row.words, " ")...) {
			text, _, _ := strings.Cut(line, "\t")
			got = append(got, text)
		}
		want, more := strings.CutSuffix(row.want, "...")
		text := strings.Join(got, " ")
		if text != want && !(more && strings.HasPrefix(text, want)) {
			t.Errorf("%q: %q, want %q", row.words, text, row.want)
		}
	}
}

// TestCompletionOfIDs: of the last run, and of accept those that it can be about.
func TestCompletionOfIDs(t *testing.T) {
	dir := t.TempDir()
	if got := completedTo(t, "inspect", "--project", dir, ""); len(got) != 0 {
		t.Errorf("without a project there is %q", got)
	}
	completionPlace(t)
	all := completedTo(t, "try", "Tide.")
	if len(all) < 3 || !regexp.MustCompile(`^Tide\.high\.\S+\t(survived|killed|unreached): src/Tide\.php:2 \S+/\S+$`).MatchString(all[0]) {
		t.Fatalf("try: %q", all)
	}
	killed := slices.DeleteFunc(slices.Clone(all), func(l string) bool { return !strings.Contains(l, "\tkilled:") })
	left := completedTo(t, "accept", "")
	if len(left)+len(killed) != len(all) || len(killed) == 0 || slices.ContainsFunc(left, func(l string) bool { return strings.Contains(l, "\tkilled:") }) {
		t.Errorf("accept: %q of %q", left, all)
	}
	id, _, _ := strings.Cut(left[0], "\t")
	end := id[strings.LastIndexByte(id, '.')+1:]
	if got := completedTo(t, "inspect", end[:4]); len(got) != 1 || !strings.HasPrefix(got[0], end+"\t") {
		t.Errorf("the end of %s: %q", id, got)
	}
	if again := completedTo(t, "accept", id, ""); len(again) != len(left)-1 {
		t.Errorf("accept offers what it has: %q", again)
	}
	want := []string{"Tide.high.not-equal.aaaaa\tseven never comes"}
	if got := completedTo(t, "accept", "--remove", ""); !slices.Equal(got, want) {
		t.Errorf("accept --remove: %q, want %q", got, want)
	}
}

func TestCompletionOfOtherShells(t *testing.T) {
	var out, errs bytes.Buffer
	if status := run(&out, &errs, []string{"completion", "tcsh"}); status != statusUsage || !strings.Contains(errs.String(), "there is one for bash, zsh, fish") {
		t.Errorf("status %d, %s", status, &errs)
	}
}

// shell runs a script with a shell, which finds assay on PATH (see TestMain).
func shell(t *testing.T, name, script string, args ...string) string {
	t.Helper()
	if _, err := osexec.LookPath(name); err != nil {
		if os.Getenv("CI") != "" {
			t.Fatal(err)
		}
		t.Skip(err)
	}
	cmd := osexec.Command(name, append(args, "-c", script)...)
	cmd.Env = append(os.Environ(), "HOME="+t.TempDir(), "TERM=dumb", "LC_ALL=C.UTF-8")
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("%s: %v\n%s\n%s", name, err, script, out)
	}
	return strings.TrimSpace(string(out))
}

// Words of a line, as bash divides them: it takes = for one of its own.
func TestCompletionInBash(t *testing.T) {
	completionPlace(t)
	for _, row := range [][2]string{
		{`run --vi`, "--view"},
		{`run --view = o`, "overlay"},
		{`run --write js`, "json="},
		{`run --write = js`, "json="},
		{`run --write json = "my n"`, "my night.json"},
		{`run --write = json = "my n"`, "my night.json"},
		{`run --disable = loop,trut`, "loop,truth loop,truth/switched-off loop,truth/switched-on"},
		{`run --jobs = 4 --kee`, "--keep"},
		{`run --allow-connect 127.0.0.1 : 5432 --kee`, "--keep"},
		{`list sr`, "src"},
		{`list src/T`, "src/Tide.php"},
		{`ru`, "run"},
	} {
		got := shell(t, "bash", `source <(assay completion bash); [[ $(complete -p assay) == "complete -F _assay assay" ]] || exit
			COMP_WORDS=(assay `+row[0]+`); COMP_CWORD=$((${#COMP_WORDS[@]} - 1)); _assay; echo "${COMPREPLY[@]}"`, "--norc")
		if got != row[1] {
			t.Errorf("assay %s: %q, want %q", row[0], got, row[1])
		}
	}
}

// An interactive zsh in a terminal of its own completes lines, and tells what they are then.
func TestCompletionInZsh(t *testing.T) {
	completionPlace(t)
	rows := [][2]string{
		{`run --vi`, "run --view "},
		{`run --view o`, "run --view overlay "},
		{`run --view=o`, "run --view=overlay "},
		{`run --write js`, "run --write json="},
		{`run --write=js`, "run --write=json="},
		{`run --write json=my`, `run --write json=my\ night.json `},
		{`run --write=json=my`, `run --write=json=my\ night.json `},
		{`run --disable=loop,conc`, "run --disable=loop,concat"},
		{`list src/T`, "list src/Tide.php "},
		{`ru`, "run "},
		{`accept --remove Tid`, "accept --remove Tide.high.not-equal.aaaaa "},
	}
	var lines, want []string
	for _, row := range rows {
		lines = append(lines, "'"+row[0]+"'")
		want = append(want, "assay "+row[1]+"|")
	}
	got := shell(t, "zsh", `zmodload zsh/zpty; zpty inner zsh -f -i
		said=$HOME/said
		cat >$HOME/rc <<'RC'
autoload -U compinit; compinit -D -u; source <(assay completion zsh)
shown() { zle complete-word; print -r -- "$BUFFER|" >>$said; BUFFER= }
zle -N shown; bindkey "^T" shown
RC
		touch $said
		zpty -w inner "said=$said; source $HOME/rc; print rea''dy"
		zpty -r -m inner seen '*ready*'
		n=0
		for line in `+strings.Join(lines, " ")+`; do
			zpty -w -n inner "assay $line"$'\C-t'
			((n++))
			for i in {1..500}; do (($(wc -l <$said) >= n)) && break; sleep 0.02; done
		done
		cat $said`, "-f")
	if got != strings.Join(want, "\n") {
		t.Errorf("got\n%s\nwant\n%s", got, strings.Join(want, "\n"))
	}
}

func TestCompletionInFish(t *testing.T) {
	completionPlace(t)
	for _, row := range [][2]string{
		{`run --vi`, "--view"},
		{`run --view o`, "overlay"},
		{`run --view=o`, "--view=overlay"},
		{`run --write js`, "json="},
		{`run --write json=my`, `json=my night.json`},
		{`run --write=json=my`, `--write=json=my night.json`},
		{`list src/T`, "src/Tide.php"},
		{`ru`, "run"},
	} {
		got := shell(t, "fish", `assay completion fish | source; complete -C 'assay `+row[0]+`'`, "--no-config")
		if got, _, _ = strings.Cut(got, "\t"); got != row[1] {
			t.Errorf("assay %s: %q, want %q", row[0], got, row[1])
		}
	}
}
