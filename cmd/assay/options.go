//go:build linux

package main

import (
	"fmt"
	"strconv"
	"strings"
	"time"
)

// Every option is one field: its name, its key in assay.toml (the same), its
// sentence of help. A test compares the two names. Flags win over the file.

// sourceOptions say which code is changed, and how.
type sourceOptions struct {
	Project string   `name:"project" toml:"-" placeholder:"DIR" default:"." help:"A directory of the project, if not this one." group:"code"`
	Config  string   `name:"config" toml:"-" placeholder:"FILE" help:"Options are read from FILE instead of the project's assay.toml." group:"code"`
	Exclude []string `name:"exclude" toml:"exclude" placeholder:"PATTERN" sep:"none" help:"Leave out files and directories that match, relative to the project; repeatable." group:"code"`
	Breadth string   `name:"breadth" toml:"breadth" enum:"core,wide" default:"core" placeholder:"WHICH" help:"Which operators to begin with: core leaves out those whose mutants others make superfluous; wide has all." group:"code"`
	Enable  []string `name:"enable" toml:"enable" placeholder:"OPERATOR" help:"Add operators or families." group:"code"`
	Disable []string `name:"disable" toml:"disable" placeholder:"OPERATOR" help:"Take operators or families out." group:"code"`
	PHP     string   `name:"php" toml:"php" placeholder:"FILE" help:"The PHP to run, if not php on PATH." group:"tests"`
	Only    []string `name:"only" toml:"only" placeholder:"OPERATOR" help:"Use these operators or families and no others." group:"code"`
}

// suiteOptions say how the tests are run.
type suiteOptions struct {
	PHPUnit       string   `name:"phpunit" toml:"phpunit" placeholder:"FILE" help:"The PHPUnit to run (script or phar), if not the project's own or phpunit on PATH." group:"tests"`
	PHPUnitConfig string   `name:"phpunit-config" toml:"phpunit-config" placeholder:"FILE" help:"PHPUnit's configuration, if not phpunit.xml or phpunit.xml.dist." group:"tests"`
	TestSuite     []string `name:"testsuite" toml:"testsuite" placeholder:"NAME" help:"Run only these test suites of the configuration." group:"tests"`
	Group         []string `name:"group" toml:"group" placeholder:"NAME" help:"Run only tests of these groups." group:"tests"`
	Jobs          int      `name:"jobs" short:"j" toml:"jobs" default:"0" placeholder:"N" help:"Workers at a time; 0 is one for each core." group:"tests"`
	MemoryLimit   size     `name:"memory-limit" toml:"memory-limit" placeholder:"SIZE" help:"What the tests of a mutant may have in memory, as 512M; else a multiple of what the suite needs." group:"tests"`
	Cold          bool     `name:"cold" toml:"cold" help:"Start a PHP process for each mutant instead of forking: slower, the same verdicts." group:"tests"`
	View          string   `name:"view" toml:"view" enum:"auto,overlay,copy" default:"auto" placeholder:"HOW" help:"How a worker gets a project tree of its own: overlay, copy, or auto, which takes the first where the machine allows it." group:"tests"`
	Keep          bool     `name:"keep" toml:"keep" help:"Leave the work directory behind and say where it is." group:"tests"`
	confineOptions
}

// observeOptions say whether values of mutants are compared with those of the original.
type observeOptions struct {
	NoObserve bool `name:"no-observe" toml:"no-observe" help:"Replay also the tests in which the changed expression never had another value: slower, the same verdicts." group:"tests"`
}

// choiceOptions say which of the mutants are judged.
type choiceOptions struct {
	Sample      int      `name:"sample" toml:"sample" placeholder:"N" help:"Judge N mutants, spread over classes and operators." group:"choice"`
	Seed        uint64   `name:"seed" toml:"seed" default:"1" placeholder:"N" help:"Another sample, or another order under --budget." group:"choice"`
	ChangedFrom string   `name:"changed-from" toml:"changed-from" placeholder:"REF" help:"Judge only mutants on lines that changed since HEAD and REF (a branch, a tag, a commit) went apart, committed or not." group:"choice"`
	AllKills    bool     `name:"all-kills" toml:"all-kills" help:"Find out of every test that reaches a mutant whether it kills it, and do not stop at the first that does; takes several times as long." group:"choice"`
	Fresh       bool     `name:"fresh" toml:"fresh" help:"Judge every mutant, also those whose verdicts of earlier runs still hold." group:"choice"`
	Resume      bool     `name:"resume" toml:"-" help:"Go on with the run of this project that was interrupted, whatever ended it." group:"choice"`
	Shard       shard    `name:"shard" toml:"-" placeholder:"K/N" help:"Judge the K-th of N parts of the mutants, as 3/8; assay merge puts the parts together." group:"choice"`
	ShardBy     string   `name:"shard-by" toml:"shard-by" enum:"cost,place" default:"cost" placeholder:"HOW" help:"How --shard divides: cost, so that each part has about as many tests to run, or place, as mutants stand in the source; for tests that do not run the same code each time." group:"choice"`
	Budget      duration `name:"budget" toml:"budget" placeholder:"TIME" help:"Stop judging after TIME, as 90s or 10m; begin with the mutants that tell most." group:"choice"`
}

// poolAccess says where a pool of workers meets.
type poolAccess struct {
	Pool        string `name:"pool" toml:"-" placeholder:"URL" help:"The NATS server, with JetStream, at which a pool of workers meets, as nats://127.0.0.1:4222 or tls://pool.example:4222; several of a cluster with commas." group:"pool"`
	PoolContext string `name:"pool-context" toml:"-" placeholder:"NAME" help:"A context of NATS's own tools, by name or file, that says where the server is and what lets us in." group:"pool"`
	PoolCreds   string `name:"pool-creds" toml:"-" placeholder:"FILE" help:"The credentials of a user of that server." group:"pool"`
	PoolSecret  string `name:"pool-secret" toml:"-" placeholder:"FILE" help:"A file with the secret (a token of NATS) that who joins has to know; only its owner may read it." group:"pool"`
	PoolCA      string `name:"pool-ca" toml:"-" placeholder:"FILE" help:"The certificates of those who may have signed the server's, if not those of the system." group:"pool"`
	PoolCert    string `name:"pool-cert" toml:"-" placeholder:"FILE" help:"The certificate by which this process is known: to the server, or, where it is the server, to those who join." group:"pool"`
	PoolKey     string `name:"pool-key" toml:"-" placeholder:"FILE" help:"The key of that certificate." group:"pool"`
	Insecure    bool   `name:"insecure" toml:"-" help:"Let other machines be reached, or listened to, without TLS and a secret: who is on the way reads the sources and has code run by workers." group:"pool"`
}

// poolOptions say by whom mutants are judged, if not by this process.
type poolOptions struct {
	poolAccess
	PoolListen   string   `name:"pool-listen" toml:"-" placeholder:"ADDRESS" help:"Start such a server in this process, as at 127.0.0.1:4222; at an address that other machines reach it needs a secret, a certificate and its key." group:"pool"`
	PoolDir      string   `name:"pool-dir" toml:"-" placeholder:"DIR" help:"Have that server keep what it holds in DIR, and not in memory." group:"pool"`
	PoolPatience duration `name:"pool-patience" toml:"-" default:"30s" placeholder:"TIME" help:"Give the mutants of a worker that is silent for TIME to others." group:"pool"`
}

// cacheOptions say where verdicts are kept for later runs.
type cacheOptions struct {
	Cache string `name:"cache" toml:"cache" placeholder:"DIR" help:"Keep verdicts for later runs in DIR, as for a cache of CI, and not in the user's cache directory." group:"answer"`
}

// proofOptions say how tests for survivors are looked for.
type proofOptions struct {
	ProveFor  duration `name:"prove-for" toml:"prove-for" default:"5m" placeholder:"TIME" help:"Look for tests for TIME at most, as 90s or 10m; what was found till then is kept." group:"proof"`
	ProveOnly []string `name:"prove-only" toml:"prove-only" placeholder:"PATTERN" sep:"none" help:"Call only functions that match, as Acme\\Fare::* (a constructor is Class::__construct); repeatable." group:"proof"`
	ProveNot  []string `name:"prove-not" toml:"prove-not" placeholder:"PATTERN" sep:"none" help:"Call no functions that match; repeatable." group:"proof"`
}

// proveOptions say whether a run does so.
type proveOptions struct {
	Prove bool `name:"prove" toml:"-" help:"Look for tests that kill what survives, and try them, when all is judged." group:"proof"`
	proofOptions
}

// screenOptions say how the terminal is used.
type screenOptions struct {
	Color     string `name:"color" toml:"color" enum:"auto,always,never" default:"auto" placeholder:"WHEN" help:"auto, always or never; auto is a terminal without NO_COLOR." group:"answer"`
	EditorURL string `name:"editor-url" toml:"editor-url" placeholder:"URL" help:"Make positions links, in the terminal and in the page that --write html=FILE makes: %f is the file, %l the line, %c the column." group:"answer"`
}

// answerOptions say what is made of the verdicts.
type answerOptions struct {
	FailOnNew    bool     `name:"fail-on-new" toml:"fail-on-new" help:"End with status 1 when a mutant is not killed that is neither accepted nor in the result of --compared-with." group:"answer"`
	ComparedWith string   `name:"compared-with" toml:"compared-with" placeholder:"FILE" help:"Mark what is new against an earlier result, which --write json=FILE wrote." group:"answer"`
	FailUnder    percent  `name:"fail-under" toml:"fail-under" placeholder:"N" help:"End with status 1 when the mutation score is below N percent." group:"answer"`
	All          bool     `name:"all" toml:"all" help:"Show every survivor and every list whole; without it the report on standard output has 20 survivors at most." group:"answer"`
	Equivalents  bool     `name:"equivalents" toml:"equivalents" help:"Show also the mutants that PHP compiles to the same code as the original; --all shows them as well." group:"answer"`
	Write        []string `name:"write" toml:"write" placeholder:"FORMAT=FILE" sep:"none" help:"Write the result to FILE; repeatable. Formats: ${formats}." group:"answer"`
	History      string   `name:"history" toml:"history" placeholder:"FILE" help:"Add a line about this run to a history, which assay history shows." group:"answer"`
	Timings      bool     `name:"timings" toml:"timings" help:"Put times into reports, which then differ from run to run." group:"answer"`
	screenOptions
}

// fileOptions is what assay.toml may hold.
type fileOptions struct {
	Paths []string `toml:"paths"`
	sourceOptions
	suiteOptions
	observeOptions
	choiceOptions
	poolOptions
	proveOptions
	cacheOptions
	answerOptions
}

// groups are the headings of help texts.
var groups = map[string]string{
	"code":   "Which mutants there are:",
	"tests":  "How the tests are run:",
	"reach":  "What the tests may reach:",
	"choice": "Which mutants are judged:",
	"pool":   "Who judges them:",
	"proof":  "How tests for survivors are looked for:",
	"answer": "What comes out:",
}

// size is a number of bytes, as PHP's memory_limit writes it: 512M, 2G, 65536.
type size int64

func (s *size) UnmarshalText(text []byte) error {
	digits := strings.TrimRight(strings.ToUpper(string(text)), "KMG")
	n, err := strconv.ParseInt(digits, 10, 64)
	unit := strings.ToUpper(string(text))[len(digits):]
	shift, ok := map[string]uint{"": 0, "K": 10, "M": 20, "G": 30}[unit]
	if err != nil || !ok || n <= 0 || n > 1<<40>>shift {
		return fmt.Errorf("%q is no amount of memory; write it as 512M or 2G", text)
	}
	*s = size(n << shift)
	return nil
}

// duration is a positive time, as Go writes it: 90s, 10m, 1h30m.
type duration time.Duration

func (d *duration) UnmarshalText(text []byte) error {
	t, err := time.ParseDuration(string(text))
	if err != nil || t <= 0 {
		return fmt.Errorf("%q is no time; write it as 90s or 10m", text)
	}
	*d = duration(t)
	return nil
}

// percent is a number from 0 to 100, or nothing.
type percent struct {
	value float64
	given bool
}

func (p *percent) UnmarshalText(text []byte) error {
	f, err := strconv.ParseFloat(strings.TrimSpace(strings.TrimSuffix(string(text), "%")), 64)
	if err != nil || !(f >= 0 && f <= 100) {
		return fmt.Errorf("%q is no percentage; give a number from 0 to 100", text)
	}
	*p = percent{f, true}
	return nil
}
