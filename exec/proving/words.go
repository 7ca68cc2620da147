package proving

import (
	"regexp"
	"slices"
	"strconv"
	"strings"
)

// Words are literals of some code.
type Words struct {
	Ints    []int64
	Floats  []float64
	Strings []string
	Samples []string // texts that match regular expressions among these
}

// most of a kind of literal that are kept.
const mostWords = 40

func (w *Words) int(n int64) {
	if len(w.Ints) < mostWords && !slices.Contains(w.Ints, n) {
		w.Ints = append(w.Ints, n)
	}
}

func (w *Words) float(f float64) {
	if len(w.Floats) < mostWords && !slices.Contains(w.Floats, f) {
		w.Floats = append(w.Floats, f)
	}
}

func (w *Words) text(s string) {
	if len(w.Strings) < mostWords && len(s) <= 80 && !slices.Contains(w.Strings, s) {
		w.Strings = append(w.Strings, s)
	}
}

// Read adds the literals of a piece of PHP code.
func (w *Words) Read(code string) {
	plain := strip(code, w.text)
	for _, t := range numberText.FindAllString(plain, -1) {
		digits := strings.ReplaceAll(t, "_", "")
		if n, err := strconv.ParseInt(digits, 0, 64); err == nil {
			w.int(n)
		} else if f, err := strconv.ParseFloat(digits, 64); err == nil {
			w.float(f)
		}
	}
}

var numberText = regexp.MustCompile(`\b(?:0[xX][0-9a-fA-F_]+|[0-9][0-9_]*(?:\.[0-9_]+)?(?:[eE][+-]?[0-9]+)?)\b`)

// strip gives code with its comments and texts left out, and each text to a function. It
// looks for where they begin and end, and knows no more of PHP.
func strip(code string, each func(string)) string {
	var out strings.Builder
	for i := 0; i < len(code); {
		rest := code[i:]
		switch {
		case strings.HasPrefix(rest, "//"), rest[0] == '#' && !strings.HasPrefix(rest, "#["):
			i += lineEnd(rest)
		case strings.HasPrefix(rest, "/*"):
			end := strings.Index(rest[2:], "*/")
			if end < 0 {
				return out.String()
			}
			i += end + 4
		case rest[0] == '\'' || rest[0] == '"':
			text, n := quotedText(rest)
			each(text)
			out.WriteString(`''`)
			i += n
		default:
			out.WriteByte(rest[0])
			i++
		}
	}
	return out.String()
}

func lineEnd(s string) int {
	if n := strings.IndexAny(s, "\r\n"); n >= 0 {
		return n
	}
	return len(s)
}

var escapes = map[byte]byte{'n': '\n', 't': '\t', 'r': '\r', 'v': '\v', 'f': '\f', 'e': 0x1b, '0': 0}

// quotedText reads a text in quotation marks, and gives how many bytes it takes in the source.
func quotedText(s string) (string, int) {
	var b strings.Builder
	quote := s[0]
	for i := 1; i < len(s); i++ {
		switch {
		case s[i] == quote:
			return b.String(), i + 1
		case s[i] == '\\' && i+1 < len(s):
			i++
			to, is := escapes[s[i]]
			switch {
			case s[i] == quote || s[i] == '\\' || quote == '"' && s[i] == '$':
				b.WriteByte(s[i])
			case quote == '"' && is:
				b.WriteByte(to)
			default:
				b.WriteByte('\\')
				b.WriteByte(s[i])
			}
		default:
			b.WriteByte(s[i])
		}
	}
	return b.String(), len(s)
}

// Impure says what in a piece of code keeps calls of it from being made at will: that it
// writes files, opens connections, starts processes, or depends on time or chance. "" where
// there is nothing of the kind. dated is 1 where code reads dates, of which some mean another
// day tomorrow, and 2 where it does so in time zones of its own.
func Impure(code string) (why string, dated int) {
	plain := strip(code, func(string) {})
	if strings.Contains(plain, "`") {
		return "it starts processes (`...`)", 0
	}
	for _, m := range calledName.FindAllStringSubmatchIndex(plain, -1) {
		name := strings.ToLower(plain[m[2]:m[3]])
		before := strings.TrimRight(plain[:m[0]], " \t\r\n")
		if strings.HasSuffix(before, "->") || strings.HasSuffix(before, "::") || strings.HasSuffix(before, "function") {
			continue
		}
		isNew := strings.HasSuffix(strings.ToLower(before), "new")
		n := arguments(plain[m[1]:])
		switch kind := impure[name]; {
		case isNew && isDateClass(name) && n == 0 || name == "date_create" && n == 0:
			return "it depends on the present time", 0
		case isNew && isDateClass(name), name == "strtotime", name == "date_create", name == "date_parse":
			dated = 1
		case isNew && impureClasses[name] != "":
			return impureClasses[name] + " (" + name + ")", 0
		case isNew:
		case needsTime[name] > 0 && n < needsTime[name]:
			return "it depends on the present time (" + name + ")", 0
		case kind != "":
			return kind + " (" + name + ")", 0
		}
	}
	if dated == 0 && datedMethod.MatchString(plain) {
		dated = 1
	}
	if strings.Contains(plain, "DateTimeZone") {
		dated = 2
	}
	return "", dated
}

var calledName = regexp.MustCompile(`\\?((?:\w+\\)*[A-Za-z_]\w*)\s*\(`)

var datedMethod = regexp.MustCompile(`(?i)(->modify|::createFromFormat|DateInterval::createFromDateString)\s*\(`)

func isDateClass(name string) bool {
	return name == "datetime" || name == "datetimeimmutable"
}

// needsTime has how many arguments a function needs so that it does not ask for the time.
var needsTime = map[string]int{"date": 2, "gmdate": 2, "idate": 2, "getdate": 1, "localtime": 1, "mktime": 6, "gmmktime": 6, "strftime": 2}

var impureClasses = map[string]string{"pdo": "it opens connections", "mysqli": "it opens connections", "soapclient": "it opens connections",
	"splfileobject": "it opens files", "spltempfileobject": "it opens files", "ziparchive": "it writes files", "sqlite3": "it writes files",
	"random\\randomizer": "it depends on chance"}

var impure = func() map[string]string {
	out := map[string]string{}
	for why, names := range map[string]string{
		"it writes files":                "file_put_contents fopen fwrite fputs fputcsv touch mkdir rmdir unlink rename copy link symlink chmod chown chgrp tempnam tmpfile move_uploaded_file ftruncate imagepng imagejpeg imagegif error_log",
		"it opens connections":           "fsockopen pfsockopen stream_socket_client stream_socket_server socket_create socket_connect curl_init curl_exec mysqli_connect pg_connect ftp_connect ldap_connect mail dns_get_record gethostbyname header setcookie session_start",
		"it starts processes":            "exec system passthru shell_exec popen proc_open pcntl_fork pcntl_exec posix_kill",
		"it depends on the present time": "time microtime hrtime sleep usleep uniqid gettimeofday",
		"it depends on chance":           "rand mt_rand random_int random_bytes lcg_value shuffle str_shuffle array_rand openssl_random_pseudo_bytes spl_object_id spl_object_hash",
		"it depends on the machine":      "gethostname php_uname getmypid memory_get_usage memory_get_peak_usage sys_getloadavg disk_free_space getenv",
		"it changes settings of PHP":     "ini_set putenv setlocale date_default_timezone_set set_error_handler set_exception_handler spl_autoload_register register_shutdown_function chdir umask set_time_limit",
	} {
		for _, name := range strings.Fields(names) {
			out[name] = why
		}
	}
	return out
}()

// arguments counts those of a call, of whose text the opening parenthesis was read.
func arguments(rest string) int {
	depth, n, some := 0, 0, false
	for _, r := range rest {
		switch r {
		case '(', '[', '{':
			depth++
			some = true
		case ')', ']', '}':
			if depth--; depth < 0 {
				if some {
					n++
				}
				return n
			}
		case ',':
			if depth == 0 {
				n++
				some = false
			}
		case ' ', '\t', '\r', '\n':
		default:
			some = true
		}
	}
	return n
}
