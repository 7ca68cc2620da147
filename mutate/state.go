package mutate

import (
	"bytes"
	"cmp"
	"maps"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"assay/mutate/syntax"
)

// A Use is one piece of state that outlives a test, as some code uses it.
type Use struct {
	// Of names the state: "static $name" for static properties of that name,
	// "static FILE:OFFSET" (a byte offset, 0-based) for a static variable,
	// "global $name", "files", and others for what PHP itself keeps. A name
	// that ends in "*" stands for all that begin like it.
	Of     string
	Access Access
	// OnceAClass is true in methods that PHPUnit calls before the first or
	// after the last test of a class.
	OnceAClass bool
}

// Access is what code can do to state with what it does.
type Access int

const (
	Looks  Access = iota // it gets a value
	Holds                // it may get hold of an object, and change that
	Writes               // it may change the state
)

// Names of state: files and other things outside, and what PHP itself keeps.
const (
	StateFiles  = "files"
	StatePHP    = "php"
	stateRandom = "random" // of the generator that can be seeded
	stateLocale = "locale"
	// stateHidden is what PHP keeps and does not show.
	stateHidden = "hidden"
	// StateDeclared is used by what may declare something: that can be done once
	// in a process.
	StateDeclared = "declared"
	allStatics    = "static *"
	allGlobals    = "global *"
)

func words(text string) map[string]bool {
	m := map[string]bool{}
	for _, name := range strings.Fields(text) {
		m[name] = true
	}
	return m
}

// Functions of PHP whose effect outlives the call, and those that see such
// effects.
var (
	readsFiles = words(`
		file_get_contents file readfile is_file is_dir file_exists is_readable is_writable is_writeable is_executable
		is_link glob scandir opendir dir stat lstat filesize filemtime fileatime filectime fileperms disk_free_space
		parse_ini_file realpath readlink hash_file md5_file sha1_file gzfile simplexml_load_file getcwd`)
	writesFiles = words(`
		file_put_contents fopen touch mkdir unlink rename copy rmdir chmod tempnam tmpfile symlink link gzopen bzopen
		exec shell_exec system passthru proc_open popen fsockopen stream_socket_client stream_socket_server chdir umask`)
	readsPHP = words(`
		getenv ini_get ini_get_all get_include_path date_default_timezone_get error_get_last get_defined_constants
		get_declared_classes ob_get_level apcu_fetch apcu_exists`)
	writesPHP = words(`
		putenv ini_set ini_restore mb_internal_encoding mb_regex_encoding mb_substitute_character
		date_default_timezone_set set_error_handler restore_error_handler set_exception_handler
		restore_exception_handler define spl_autoload_register spl_autoload_unregister
		libxml_use_internal_errors error_reporting assert_options stream_wrapper_register stream_wrapper_unregister
		stream_context_set_default class_alias header session_start setcookie ob_start register_shutdown_function
		apcu_store apcu_add apcu_delete opcache_reset set_include_path bcscale gc_disable gc_enable set_time_limit
		cli_set_process_title stream_filter_register iconv_set_encoding pcntl_signal pcntl_alarm shmop_open sem_get
		msg_get_queue error_clear_last`)
	// shown are those of writesPHP whose effect PHP tells when it is asked.
	shown = words(`
		putenv ini_set ini_restore mb_internal_encoding mb_substitute_character date_default_timezone_set
		set_error_handler restore_error_handler set_exception_handler restore_exception_handler define
		spl_autoload_register spl_autoload_unregister libxml_use_internal_errors error_reporting
		ob_start set_include_path bcscale gc_disable gc_enable set_time_limit`)
	// Without a seed of the program's, what comes of these is different in each process.
	random = words("mt_rand rand shuffle array_rand str_shuffle")
	seeds  = words("mt_srand srand")
	locale = words("setlocale locale_set_default")
)

// Classes of PHP through which a test gets at files and databases.
var (
	readingClasses = words("directoryiterator filesystemiterator recursivedirectoryiterator globiterator")
	writingClasses = words(`
		splfileobject splfileinfo pdo mysqli sqlite3 memcached redis ziparchive phar phardata`)
)

// seesFiles are the beginnings of PHPUnit's assertions about files.
var seesFiles = []string{"assertFile", "assertDirectory", "assertIsReadable", "assertIsWritable", "assertNotIsReadable",
	"assertNotIsWritable", "assertIsNotReadable", "assertIsNotWritable", "assertStringEqualsFile", "assertStringNotEqualsFile",
	"assertJsonFile", "assertJsonStringEqualsJsonFile", "assertXmlFile", "assertXmlStringEqualsXmlFile"}

// opensStatics are methods through which static properties are changed without
// being named: reflection, and closures bound to a class.
var opensStatics = words("setstaticpropertyvalue setvalue bind bindto fromcallable")

// usesOf gives the state that a statement uses. Nested functions are left out:
// they have points of their own. once has include_once and require_once count,
// whose second call gives another value.
func usesOf(f *syntax.File, n *syntax.Node, once bool) []Use {
	var out []Use
	n.Walk(func(c *syntax.Node) bool {
		if c != n && (isFunction(c) || c.Is("arrow_function", "anonymous_class")) {
			return false
		}
		out = append(out, useAt(f, c, once)...)
		return true
	})
	return unique(out)
}

// usesAnywhere gives the state that any code of a file uses.
func usesAnywhere(f *syntax.File) []Use {
	var out []Use
	f.Root.Walk(func(c *syntax.Node) bool {
		out = append(out, useAt(f, c, false)...)
		return true
	})
	return unique(out)
}

// SharesState reports whether any function of a file uses state that outlives
// a test; for files that get no points. Loading files does not count: that is
// how autoloaders look.
func SharesState(f *syntax.File) bool {
	found := false
	f.Root.Walk(func(n *syntax.Node) bool {
		if !found && (n.Is("compound_statement") && isFunction(n.Parent) || n.Is("arrow_function")) {
			found = len(usesOf(f, n, false)) > 0
		}
		return !found
	})
	return found
}

// writers match what calls a function, or names a class, that writes to state.
var writers = map[string]*regexp.Regexp{
	StateFiles:  regexp.MustCompile(`(?i)\b(` + anyOf(writesFiles) + `)\s*\(|\b(` + anyOf(writingClasses) + `)\b`),
	StatePHP:    regexp.MustCompile(`(?i)\b(` + anyOf(writesPHP) + `)\s*\(`),
	stateHidden: regexp.MustCompile(`(?i)\b(` + anyOf(hidden()) + `)\s*\(`),
	stateRandom: regexp.MustCompile(`(?i)\b(` + anyOf(seeds) + `)\s*\(`),
}

// hidden are those of writesPHP that are not shown.
func hidden() map[string]bool {
	m := maps.Clone(writesPHP)
	maps.DeleteFunc(m, func(name string, _ bool) bool { return shown[name] })
	return m
}

func anyOf(names map[string]bool) string {
	return strings.Join(slices.Sorted(maps.Keys(names)), "|")
}

// WritesIn gives the state, by name, that a text writes to of files, of what PHP
// itself keeps, and of its random numbers. It is for libraries, whose text is not
// read as PHP since there is much of it: what stands in a comment counts as well.
func WritesIn(text []byte) []string {
	return slices.DeleteFunc(WritableState(), func(name string) bool { return !writers[name].Match(text) })
}

// WritableState gives all state, by name, that WritesIn knows of.
func WritableState() []string { return slices.Sorted(maps.Keys(writers)) }

// IsShown reports whether a process can be asked for all of the state that has a
// name.
func IsShown(name string) bool {
	return strings.HasPrefix(name, "static ") || strings.HasPrefix(name, "global ") || name == StatePHP || name == stateLocale
}

// unique leaves each use once. Sorted.
func unique(uses []Use) []Use {
	slices.SortFunc(uses, func(a, b Use) int {
		return cmp.Or(strings.Compare(a.Of, b.Of), cmp.Compare(a.Access, b.Access), boolRank(a.OnceAClass)-boolRank(b.OnceAClass))
	})
	return slices.Compact(uses)
}

func boolRank(b bool) int {
	if b {
		return 1
	}
	return 0
}

// useAt gives what a node itself uses, what is below it aside.
func useAt(f *syntax.File, c *syntax.Node, once bool) []Use {
	switch c.Kind {
	case "scoped_property_access_expression":
		name := f.Text(c.Child("name"))
		if c.Child("name") == nil || !c.Child("name").Is("variable_name") {
			return []Use{{Of: allStatics, Access: Writes}}
		}
		return []Use{{"static " + name, accessTo(f, c), inClassFixture(f, c)}}
	case "function_static_declaration":
		return []Use{{Of: "static " + f.Path + ":" + strconv.Itoa(c.Start), Access: Writes}}
	case "global_declaration":
		return []Use{{Of: allGlobals, Access: Writes}}
	case "include_once_expression", "require_once_expression":
		if once {
			return []Use{{Of: "loaded files", Access: Writes}}
		}
	case "variable_name":
		text := f.Text(c)
		switch {
		case text == "$GLOBALS":
			return []Use{{Of: allGlobals, Access: Writes}}
		case strings.HasPrefix(text, "$_") && text == strings.ToUpper(text) && len(text) > 3:
			return []Use{{Of: "global " + text, Access: accessTo(f, c)}}
		}
	case "function_call_expression":
		return useOfFunction(f, c)
	case "object_creation_expression":
		return useOfClass(strings.ToLower(strings.TrimPrefix(f.Text(c.First("name", "qualified_name")), `\`)))
	case "member_call_expression", "scoped_call_expression", "nullsafe_member_call_expression":
		name := f.Text(c.Child("name"))
		switch {
		case slices.ContainsFunc(seesFiles, func(head string) bool { return strings.HasPrefix(name, head) }):
			return []Use{{Of: StateFiles}}
		case opensStatics[strings.ToLower(name)]:
			return []Use{{Of: allStatics, Access: Writes}}
		}
	}
	return nil
}

func useOfClass(name string) []Use {
	switch {
	case readingClasses[name]:
		return []Use{{Of: StateFiles}}
	case writingClasses[name]:
		return []Use{{Of: StateFiles, Access: Writes}}
	}
	return nil
}

func useOfFunction(f *syntax.File, call *syntax.Node) []Use {
	name := strings.ToLower(strings.TrimPrefix(f.Text(call.Child("function")), `\`))
	switch {
	case readsFiles[name]:
		return []Use{{Of: StateFiles}}
	case writesFiles[name]:
		if name == "fopen" && opensMemory(f, call) {
			return nil
		}
		if name == "fopen" && opensToRead(f, call) {
			return []Use{{Of: StateFiles}}
		}
		return []Use{{Of: StateFiles, Access: Writes}}
	case name == "error_get_last": // any warning sets that
		return []Use{{Of: StatePHP}, {Of: stateHidden, Access: Writes}}
	case readsPHP[name]:
		return []Use{{Of: StatePHP}}
	case shown[name]:
		return []Use{{Of: StatePHP, Access: Writes}}
	case name == "class_alias":
		return []Use{{Of: StatePHP, Access: Writes}, {Of: stateHidden, Access: Writes}, {Of: StateDeclared}}
	case writesPHP[name]:
		return []Use{{Of: StatePHP, Access: Writes}, {Of: stateHidden, Access: Writes}}
	case random[name]:
		return []Use{{Of: stateRandom}}
	case seeds[name]:
		return []Use{{Of: stateRandom, Access: Writes}}
	case name == "eval":
		return []Use{{Of: StateDeclared}}
	case locale[name]:
		return []Use{{Of: stateLocale, Access: Writes}}
	}
	return nil
}

// opensMemory reports whether a call of fopen names a stream that is nobody else's.
func opensMemory(f *syntax.File, call *syntax.Node) bool {
	args := call.Child("arguments").NamedChildren()
	if len(args) == 0 {
		return false
	}
	name := strings.ToLower(strings.Trim(f.Text(args[0]), `'"`))
	return name == "php://memory" || name == "php://temp" || strings.HasPrefix(name, "php://temp/maxmemory:")
}

// opensToRead reports whether a call of fopen names a mode that only reads.
func opensToRead(f *syntax.File, call *syntax.Node) bool {
	args := call.Child("arguments").NamedChildren()
	if len(args) < 2 {
		return false
	}
	switch strings.Trim(f.Text(args[1]), `'"`) {
	case "r", "rb", "rt":
		return true
	}
	return false
}

// byValue are functions of PHP none of whose parameters is a reference.
var byValue = words(`
	isset empty count sizeof in_array array_key_exists key_exists array_keys array_values array_merge array_search array_flip
	array_combine array_unique array_diff array_diff_key array_intersect array_intersect_key array_slice array_sum
	implode join explode strlen strtolower strtoupper ucfirst lcfirst ucwords trim ltrim rtrim sprintf strpos stripos
	strrpos substr str_repeat str_pad strtr strrev strcmp str_contains str_starts_with str_ends_with nl2br
	htmlspecialchars min max range abs round floor ceil intdiv json_encode var_export serialize md5 sha1 crc32 hash
	is_array is_string is_int is_bool is_float is_numeric is_object is_null is_callable is_scalar get_class gettype
	spl_object_id mb_strlen mb_strtolower mb_strtoupper mb_substr ctype_digit ctype_alpha`)

// accessTo tells what an expression that names a variable can do to it: it is
// the target of an assignment, PHP may make a reference of it, or its value goes
// on from there.
func accessTo(f *syntax.File, n *syntax.Node) Access {
	for p := n.Parent; p != nil; n, p = p, p.Parent {
		switch p.Kind {
		case "subscript_expression":
			if p.NamedChildren()[0] != n {
				return Looks // an index
			}
		case "parenthesized_expression", "list_literal", "array_creation_expression", "array_element_initializer", "pair":
		case "assignment_expression", "augmented_assignment_expression":
			return writesIf(p.Child("left") == n)
		case "update_expression", "reference_assignment_expression", "unset_statement", "by_ref", "reference_modifier":
			return Writes
		case "foreach_statement":
			return writesIf(p.NamedChildren()[0] != n || p.First("by_ref") != nil || pairByRef(p))
		case "argument":
			return takes(f, p)
		case "return_statement", "yield_expression":
			fn := p.Up("method_declaration", "function_definition", "anonymous_function", "arrow_function", "property_hook")
			return writesIf(fn != nil && fn.First("reference_modifier") != nil)
		case "cast_expression", "binary_expression", "unary_op_expression", "echo_statement", "encapsed_string",
			"if_statement", "while_statement", "else_if_clause":
			return Looks
		default:
			return Holds
		}
	}
	return Holds
}

func writesIf(yes bool) Access {
	if yes {
		return Writes
	}
	return Holds
}

func pairByRef(foreach *syntax.Node) bool {
	pair := foreach.First("pair")
	return pair != nil && pair.First("by_ref") != nil
}

// takes tells what a call can do to an argument.
func takes(f *syntax.File, arg *syntax.Node) Access {
	call := arg.Parent
	if call.Is("arguments") {
		call = call.Parent
	}
	switch call.Kind {
	case "function_call_expression":
		if byValue[strings.ToLower(strings.TrimPrefix(f.Text(call.Child("function")), `\`))] {
			return Looks
		}
	case "member_call_expression", "scoped_call_expression":
		if strings.HasPrefix(f.Text(call.Child("name")), "assert") {
			return Looks
		}
	}
	return Writes
}

// onceAClass finds what marks a method as a fixture of a whole class, in its
// name, in its comment, or in its attributes.
var onceAClass = regexp.MustCompile(`(?i)\b(setUpBeforeClass|tearDownAfterClass)\b|@(beforeClass|afterClass)\b|#\[[^\]]*\b(BeforeClass|AfterClass)\b`)

// inClassFixture reports whether a node stands in such a method.
func inClassFixture(f *syntax.File, n *syntax.Node) bool {
	m := n.Up("method_declaration", "function_definition", "anonymous_function", "arrow_function")
	if !m.Is("method_declaration") {
		return false
	}
	head := string(f.Src[m.Start:m.Child("parameters").Start])
	if before := bytes.TrimSpace(f.Src[:m.Start]); bytes.HasSuffix(before, []byte("*/")) {
		head = string(before[max(0, bytes.LastIndex(before, []byte("/*"))):]) + head
	}
	return onceAClass.MatchString(head)
}

// How a text names what can be let go of before its end, and what runs then.
var (
	suspends = regexp.MustCompile(`(?i)\b(yield|Fiber)\b`)
	guards   = regexp.MustCompile(`(?i)\bfinally\b`)
)

// Unwinds tells of any text of PHP what Points.Unwinds tells; path is for errors.
func Unwinds(path string, text []byte) bool {
	if !guards.Match(text) || !suspends.Match(text) {
		return false
	}
	f, err := syntax.Parse(path, text)
	return err != nil || unwinds(f)
}

// unwinds is the same of a file. Words that are no code do not count.
func unwinds(f *syntax.File) bool {
	if !guards.Match(f.Src) || !suspends.Match(f.Src) {
		return false
	}
	yields, finally := false, false
	f.Root.Walk(func(n *syntax.Node) bool {
		yields = yields || n.Bad || n.Is("yield_expression") || n.Is("name", "qualified_name") && suspends.MatchString(f.Text(n))
		finally = finally || n.Bad || n.Is("finally_clause")
		return !n.Bad
	})
	return yields && finally
}
