package mutate

import (
	"errors"
	"fmt"
	"regexp"
	"strings"

	"assay/mutate/syntax"
)

var operatorID = regexp.MustCompile(`^[a-z]+(-[a-z]+)*/[a-z0-9]+(-[a-z0-9]+)*$`)

// Validate checks operators before anything is believed of them: IDs are well
// formed and used once, no name within a family is that of another family,
// documents say both what is changed and what a survivor means, advice is there
// for both things that can be observed or for none, kinds are the grammar's, and
// each example gives exactly what it claims. All faults are joined into one error.
func Validate(ops []*Operator) error {
	var faults []error
	seen, families := map[string]bool{}, map[string]bool{}
	for _, op := range ops {
		families[op.Family()] = true
	}
	for _, op := range ops {
		if _, name, _ := strings.Cut(op.ID, "/"); families[name] {
			faults = append(faults, fmt.Errorf("operator %s: a family is called %s as well", op.ID, name))
		}
		if !operatorID.MatchString(op.ID) {
			faults = append(faults, fmt.Errorf("operator %q: the ID is not family/name", op.ID))
		}
		if seen[op.ID] {
			faults = append(faults, fmt.Errorf("operator %s: registered twice", op.ID))
		}
		seen[op.ID] = true
		if first, rest, ok := strings.Cut(op.Doc, "\n\n"); !ok || strings.Contains(first, "\n") || strings.TrimSpace(rest) == "" {
			faults = append(faults, fmt.Errorf("operator %s: Doc is not one line, a blank line, and what a survivor means", op.ID))
		}
		if err := checkAdvice(op); err != nil {
			faults = append(faults, err)
		}
		if len(op.Kinds) == 0 || op.Apply == nil {
			faults = append(faults, fmt.Errorf("operator %s: no Kinds or no Apply", op.ID))
			continue
		}
		for _, kind := range op.Kinds {
			if !syntax.NamedKind(kind) {
				faults = append(faults, fmt.Errorf("operator %s: the grammar has no nodes of kind %q", op.ID, kind))
			}
		}
		if err := checkExample(op); err != nil {
			faults = append(faults, err)
		}
	}
	return errors.Join(faults...)
}

// checkAdvice makes sure that both of an operator's texts for what was observed are there, or
// none, and that each begins with what to do.
func checkAdvice(op *Operator) error {
	if (op.Input == "") != (op.Outcome == "") {
		return fmt.Errorf("operator %s: only one of Input and Outcome is there", op.ID)
	}
	if op.Input != "" && !(isAdvice(op.Input, "Add ") && isAdvice(op.Outcome, "Assert ")) {
		return fmt.Errorf("operator %s: Input does not begin with \"Add\", or Outcome not with \"Assert\", or one does not end with a full stop", op.ID)
	}
	return nil
}

func isAdvice(text, begin string) bool {
	return strings.HasPrefix(text, begin) && strings.HasSuffix(text, ".")
}

func checkExample(op *Operator) error {
	const open = "<?php "
	f, err := syntax.Parse(op.ID, []byte(open+op.Before))
	if err != nil {
		return err
	}
	if len(f.Damage) > 0 {
		return fmt.Errorf("operator %s: Before does not parse", op.ID)
	}
	edits := EditsOf(f, op)
	if len(edits) != 1 {
		return fmt.Errorf("operator %s: Before gives %d mutants, want 1", op.ID, len(edits))
	}
	if got := strings.TrimPrefix(string(edits[0].Edit.Apply(f.Src)), open); got != op.After {
		return fmt.Errorf("operator %s: Before gives %q, want %q", op.ID, got, op.After)
	}
	return nil
}

// A SiteEdit is an edit with the node it was made for.
type SiteEdit struct {
	Node *syntax.Node
	Edit Edit
}

// EditsOf gives every edit of one operator in a file, in source order.
func EditsOf(f *syntax.File, op *Operator) []SiteEdit {
	var out []SiteEdit
	f.Walk(func(n *syntax.Node) bool {
		if !n.Bad && n.Is(op.Kinds...) {
			for _, e := range op.Apply(f, n) {
				out = append(out, SiteEdit{n, e})
			}
		}
		return true
	})
	return out
}
