package mutate

// Question stands above each test that was made of a finding, and in each report that shows
// one.
const Question = "This pins what the code does today. Is that right?"

// A Proof is a test that was made of a finding, and was seen to pass on the original and to
// fail on the mutant.
type Proof struct {
	Test  TestID
	Kills []string // IDs of the mutants on which it was seen to fail
	Tried int      // inputs that were tried until it was found
	File  string   // the name of the file that has it as a diff; "" where none was written
	Path  string   // of the test's file, relative to the project, with "/"; "" where only the rest is known
	Code  string   // what is put in, as it stands in the file
	Diff  string   // of the test's file, as git applies it; "" where only the rest is known
}

// An Attempt is what came of looking for a proof for one mutant.
type Attempt struct {
	Search
	Proof *Proof // nil where there is none
	// Refused says why tests that were made of findings are no proofs, a sentence each.
	Refused []string
	// Untried is set where something was found, and no test was made of it before the end.
	Untried bool
}

// LargeSearch is how many inputs have to pass a change, without giving the changed
// expression another value, for the mutant to be called likely equivalent.
const LargeSearch = 1000

// LikelyEquivalent reports whether a large search has found no difference at all. That is
// no proof: an input that nobody tried may show one.
func (a *Attempt) LikelyEquivalent() bool {
	return a.Why == "" && len(a.Findings) == 0 && a.Differed == 0 && a.Reached >= LargeSearch
}
