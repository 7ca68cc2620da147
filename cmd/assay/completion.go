//go:build linux

package main

import (
	"embed"
	"slices"
	"strings"

	"github.com/alecthomas/kong"
)

//go:embed shells
var shellScripts embed.FS

var shells = []string{"bash", "zsh", "fish"}

type completionCommand struct {
	Shell string   `arg:"" help:"bash, zsh or fish."`
	Words []string `arg:"" optional:"" name:"word" help:"The words behind assay of a command line that is being written, as the script asks: what the last of them may become is printed. Write -- before them."`
}

// run prints a shell's script, or what the last word of a command line may become.
func (c *completionCommand) run(env *environment) error {
	if !slices.Contains(shells, c.Shell) {
		return usagef("there is no completion for %s; there is one for %s", c.Shell, strings.Join(shells, ", "))
	}
	if len(c.Words) == 0 {
		text, err := shellScripts.ReadFile("shells/assay." + c.Shell)
		env.printf("%s", text)
		return err
	}
	var line commandLine
	parser, err := newParser(env, &line, &configFile{}, nil)
	if err != nil {
		return err
	}
	last := len(c.Words) - 1
	w := walk(parser.Model.Node, c.Words[:last])
	for _, f := range w.fitting(c.Words[last]) {
		env.printf("%s\n", f)
	}
	return nil
}

// A candidate is what a word may become, and a few words about it. Files are not listed: the
// shell does that better. It is told to by a candidate of which the text is filesHere, and the
// description what stands before the name of the file in the word.
type candidate struct{ text, about string }

const filesHere = ":files"

func (c candidate) String() string {
	if c.about == "" {
		return c.text
	}
	return c.text + "\t" + oneLine(c.about)
}

// oneLine is the beginning of a text, without what would part lines and columns.
func oneLine(s string) string {
	s = strings.Join(strings.Fields(s), " ")
	if short := []rune(s); len(short) > 70 {
		s = string(short[:69]) + "…"
	}
	return s
}

// A written command line is as far understood as its words go.
type written struct {
	command    *kong.Node        // the program itself where there is none yet
	flags      map[string]string // what was given, by name
	waiting    *kong.Flag        // a flag of which the value comes next, or nil
	positional []string
	onlyArgs   bool // -- was there
}

// walk reads words as the parser would, and passes over what it does not understand.
func walk(program *kong.Node, words []string) *written {
	w := &written{command: program, flags: map[string]string{}}
	for _, word := range words {
		name, value, given := strings.Cut(word, "=")
		switch {
		case w.waiting != nil:
			w.flags[w.waiting.Name] = word
			w.waiting = nil
		case w.onlyArgs || !strings.HasPrefix(word, "-") || word == "-":
			w.take(program, word)
		case word == "--":
			w.onlyArgs = true
		default:
			flag := w.flag(name)
			if flag == nil {
				continue
			}
			w.flags[flag.Name] = value
			if !given && !flag.IsBool() && !(len(name) > 2 && name[1] != '-') { // -j4 has its value
				w.waiting = flag
			}
		}
	}
	return w
}

// take is for a word that is no flag: the command, or what that is about.
func (w *written) take(program *kong.Node, word string) {
	if w.command != program {
		w.positional = append(w.positional, word)
		return
	}
	for _, c := range program.Children {
		if c.Name == word {
			w.command = c
		}
	}
}

// flag gives the flag that a word such as --jobs or -j4 names, or nil.
func (w *written) flag(word string) *kong.Flag {
	for _, f := range w.command.Flags {
		long := strings.TrimPrefix(word, "--")
		if word == "--"+f.Name || word == "--no-"+f.Name && f.Tag.Negatable != "" {
			return f
		}
		if f.Short != 0 && long == word && strings.HasPrefix(word, "-"+string(f.Short)) {
			return f
		}
	}
	return nil
}

// fitting gives what the word that is being written may become.
func (w *written) fitting(word string) []candidate {
	flag, typed, given := strings.Cut(word, "=")
	var found []candidate
	switch {
	case w.waiting != nil:
		return w.ofFlag(w.waiting, "", word)
	case !w.onlyArgs && strings.HasPrefix(word, "--") && given:
		if f := w.flag(flag); f != nil {
			return w.ofFlag(f, flag+"=", typed)
		}
	case !w.onlyArgs && strings.HasPrefix(word, "-"):
		found = w.flagNames()
	case w.command.Parent == nil:
		found = commandsOf(w.command)
	default:
		return w.ofArgument(word)
	}
	return beginningWith(word, found)
}

func beginningWith(word string, all []candidate) []candidate {
	return slices.DeleteFunc(all, func(c candidate) bool { return !strings.HasPrefix(c.text, word) })
}

func commandsOf(program *kong.Node) []candidate {
	var out []candidate
	for _, c := range program.Children {
		if !c.Hidden {
			out = append(out, candidate{c.Name, c.Help})
		}
	}
	return out
}

// flagNames lists the flags that may still be given.
func (w *written) flagNames() []candidate {
	out := []candidate{{"--help", "Print a help text."}}
	for _, f := range w.command.Flags {
		_, given := w.flags[f.Name]
		if f.Hidden || f.Name == "help" || given && !f.IsSlice() {
			continue
		}
		name := "--" + f.Name
		if f.Tag.Negatable != "" && f.Default == "true" {
			name = "--no-" + f.Name
		}
		out = append(out, candidate{name, f.Help})
	}
	return out
}

// ofFlag gives the values of a flag. Each candidate begins with before.
func (w *written) ofFlag(f *kong.Flag, before, typed string) []candidate {
	if f.IsSlice() && f.Tag.Sep == ',' {
		if i := strings.LastIndexByte(typed, ','); i >= 0 {
			before, typed = before+typed[:i+1], typed[i+1:]
		}
	}
	var out []candidate
	if f.Enum != "" {
		for _, v := range f.EnumSlice() {
			out = append(out, candidate{text: v})
		}
		out = beginningWith(typed, out)
	} else {
		out = w.ofKind(f.PlaceHolder, typed)
	}
	return headed(before, out)
}

// headed puts a text before each candidate.
func headed(before string, list []candidate) []candidate {
	for i, c := range list {
		if c.text == filesHere {
			list[i].about = before + c.about
		} else {
			list[i].text = before + c.text
		}
	}
	return list
}

// ofArgument gives what may stand where no flag does.
func (w *written) ofArgument(word string) []candidate {
	args := w.command.Positional
	if len(args) == 0 {
		return nil
	}
	at := min(len(w.positional), len(args)-1)
	if len(w.positional) >= len(args) && !args[at].IsSlice() {
		return nil
	}
	return w.ofKind(strings.ToUpper(args[at].Name), word)
}
