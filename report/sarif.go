package report

import (
	"fmt"
	"io"
	"net/url"
	"slices"
	"strings"

	"assay/mutate"
)

// The part of SARIF 2.1.0 (OASIS, errata 01) that findings need.
type (
	sarifLog struct {
		Schema  string     `json:"$schema"`
		Version string     `json:"version"`
		Runs    []sarifRun `json:"runs"`
	}
	sarifRun struct {
		Tool struct {
			Driver sarifDriver `json:"driver"`
		} `json:"tool"`
		ColumnKind  string            `json:"columnKind"`
		Invocations []sarifInvocation `json:"invocations"`
		Results     []sarifResult     `json:"results"`
	}
	sarifDriver struct {
		Name  string      `json:"name"`
		Rules []sarifRule `json:"rules"`
	}
	sarifRule struct {
		ID    string       `json:"id"`
		Short sarifMessage `json:"shortDescription"`
		Help  sarifMessage `json:"help"`
	}
	sarifMessage struct {
		Text string `json:"text"`
	}
	sarifInvocation struct {
		Successful    bool                `json:"executionSuccessful"`
		Notifications []sarifNotification `json:"toolExecutionNotifications"`
	}
	sarifNotification struct {
		Level     string          `json:"level"`
		Message   sarifMessage    `json:"message"`
		Locations []sarifLocation `json:"locations,omitempty"`
	}
	sarifResult struct {
		RuleID       string             `json:"ruleId"`
		RuleIndex    int                `json:"ruleIndex"`
		Level        string             `json:"level"`
		Message      sarifMessage       `json:"message"`
		Locations    []sarifLocation    `json:"locations"`
		Fingerprints map[string]string  `json:"partialFingerprints"`
		Baseline     string             `json:"baselineState,omitempty"`
		Suppressions []sarifSuppression `json:"suppressions,omitempty"`
	}
	sarifSuppression struct {
		Kind          string `json:"kind"`
		Status        string `json:"status"`
		Justification string `json:"justification"`
	}
	sarifLocation struct {
		Physical sarifPhysical  `json:"physicalLocation"`
		Logical  []sarifLogical `json:"logicalLocations,omitempty"`
	}
	sarifPhysical struct {
		Artifact struct {
			URI string `json:"uri"`
		} `json:"artifactLocation"`
		Region *sarifRegion `json:"region,omitempty"`
	}
	sarifRegion struct {
		StartLine   int `json:"startLine"`
		StartColumn int `json:"startColumn,omitempty"`
		EndLine     int `json:"endLine,omitempty"`
		EndColumn   int `json:"endColumn,omitempty"`
	}
	sarifLogical struct {
		Name string `json:"fullyQualifiedName"`
	}
)

const sarifSchema = "https://docs.oasis-open.org/sarif/sarif/v2.1.0/errata01/os/schemas/sarif-schema-2.1.0.json"

// unreachedRule stands among the operators' IDs, which all have a slash.
const unreachedRule = "unreached"

// SARIF writes SARIF 2.1.0: a rule an operator, a warning a survivor, and a
// note for each function that holds code which no test runs.
func SARIF(w io.Writer, r *mutate.Result, o Options) error {
	run := sarifRun{ColumnKind: "unicodeCodePoints", Results: []sarifResult{}}
	found, exempt := gaps(r), exemptions(r)
	run.Tool.Driver = sarifDriver{Name: "assay", Rules: sarifRules(found, exempt)}
	index, advice := map[string]int{}, hints{}
	for i, rule := range run.Tool.Driver.Rules {
		index[rule.ID] = i
	}
	for _, g := range found {
		if g.Status == mutate.Unreached {
			run.Results = append(run.Results, sarifUnreached(g, index, o))
			continue
		}
		for _, v := range g.Verdicts {
			run.Results = append(run.Results, sarifSurvivor(v, index, advice, o))
		}
	}
	for _, a := range exempt {
		if a.accepted() {
			run.Results = append(run.Results, sarifAccepted(a, index, advice, o))
		}
	}
	if r.Compared {
		sarifCompared(run.Results, r)
	}
	run.Invocations = []sarifInvocation{{Total(r).Broken == 0, sarifNotes(r, o)}}
	return writeJSON(w, sarifLog{sarifSchema, "2.1.0", []sarifRun{run}})
}

// sarifAccepted is a result that viewers do not count: somebody accepted it.
func sarifAccepted(a exemption, index map[string]int, advice hints, o Options) sarifResult {
	x := sarifSurvivor(a.Verdicts[0], index, advice, o)
	x.Suppressions = []sarifSuppression{{"external", "accepted", visible(a.Reason)}}
	return x
}

// sarifCompared says of each survivor whether the result before had it. Of the
// functions that no test runs it says nothing: they are not single mutants.
func sarifCompared(results []sarifResult, r *mutate.Result) {
	isNew := map[string]bool{}
	for _, v := range fresh(r) {
		isNew[v.Mutant.ID] = true
	}
	for i, x := range results {
		id, single := x.Fingerprints["mutant/v1"]
		switch {
		case !single || len(x.Suppressions) > 0:
		case isNew[id]:
			results[i].Baseline = "new"
		default:
			results[i].Baseline = "unchanged"
		}
	}
}

func sarifRules(found []gap, exempt []exemption) []sarifRule {
	rules := []sarifRule{}
	seen := map[string]bool{}
	add := func(id, short, help string) {
		if !seen[id] {
			seen[id] = true
			rules = append(rules, sarifRule{id, sarifMessage{short}, sarifMessage{help}})
		}
	}
	for _, g := range found {
		if g.Status == mutate.Unreached {
			add(unreachedRule, "No test runs the code.", "Nothing that this code does is checked. Add a test that runs it and looks at the outcome.")
			continue
		}
		for _, v := range g.Verdicts {
			add(v.Mutant.Op.ID, Rule(v.Mutant.Op), flat(Meaning(v.Mutant.Op)))
		}
	}
	for _, a := range exempt {
		if op := a.first().Op; a.accepted() {
			add(op.ID, Rule(op), flat(Meaning(op)))
		}
	}
	slices.SortFunc(rules, func(a, b sarifRule) int { return strings.Compare(a.ID, b.ID) })
	return rules
}

func sarifSurvivor(v mutate.Verdict, index map[string]int, advice hints, o Options) sarifResult {
	m := v.Mutant
	at := regionOf(m)
	text := outcome(v) + ". " + flat(advice.alone(v)+" "+reached(v.Reaching))
	return sarifResult{
		RuleID: m.Op.ID, RuleIndex: index[m.Op.ID], Level: "warning", Message: sarifMessage{text},
		Locations:    []sarifLocation{sarifPlace(m, &sarifRegion{at.line, at.column, at.endLine, at.endColumn}, o)},
		Fingerprints: map[string]string{"mutant/v1": m.ID},
	}
}

func sarifUnreached(g gap, index map[string]int, o Options) sarifResult {
	m := g.first()
	lines := &sarifRegion{StartLine: m.Line, EndLine: regionOf(g.Verdicts[len(g.Verdicts)-1].Mutant).endLine}
	lines.EndLine = max(lines.EndLine, lines.StartLine)
	return sarifResult{
		RuleID: unreachedRule, RuleIndex: index[unreachedRule], Level: "note",
		Message:      sarifMessage{g.unreachedSaid()},
		Locations:    []sarifLocation{sarifPlace(m, lines, o)},
		Fingerprints: map[string]string{"function/v1": hash([]byte(m.Source.Path + "\x00" + m.Where()))},
	}
}

func sarifPlace(m *mutate.Mutant, at *sarifRegion, o Options) sarifLocation {
	l := sarifLocation{Physical: sarifFile(o.Prefix+m.Source.Path, at)}
	if m.Class != "" || m.Function != "" {
		l.Logical = []sarifLogical{{visible(m.Where())}}
	}
	return l
}

func sarifFile(path string, at *sarifRegion) sarifPhysical {
	p := sarifPhysical{Region: at}
	p.Artifact.URI = (&url.URL{Path: path}).String()
	return p
}

// sarifNotes tells what the reader must know to judge the run.
func sarifNotes(r *mutate.Result, o Options) []sarifNotification {
	out := []sarifNotification{{Level: "note", Message: sarifMessage{headline(r)}}}
	for _, n := range r.Notes {
		x := sarifNotification{Level: "note", Message: sarifMessage{visible(n.Text)}}
		if n.Path != "" {
			var at *sarifRegion
			if n.Line > 0 {
				at = &sarifRegion{StartLine: n.Line}
			}
			x.Locations = []sarifLocation{{Physical: sarifFile(o.Prefix+n.Path, at)}}
		}
		out = append(out, x)
	}
	for _, a := range exemptions(r) {
		if !a.accepted() {
			out = append(out, sarifNotification{"note", sarifMessage{fmt.Sprintf("%s: %s, because %s", visible(a.first().Where()), a.said(), visible(a.Reason))},
				[]sarifLocation{{Physical: sarifFile(o.Prefix+a.first().Source.Path, &sarifRegion{StartLine: a.first().Line})}}})
		}
	}
	for _, v := range sorted(r.Verdicts) {
		if v.Status == mutate.Broken {
			out = append(out, sarifNotification{"error", sarifMessage{"Mutant " + v.Mutant.ID + ": " + sentence(&v)},
				[]sarifLocation{{Physical: sarifFile(o.Prefix+v.Mutant.Source.Path, &sarifRegion{StartLine: v.Mutant.Line})}}})
		}
	}
	return out
}
