package exec

import (
	"assay/exec/recording"
	"assay/mutate"
)

// BaselineOf makes a baseline of what two runs would have told.
func BaselineOf(plain, probed *recording.Run, files []*mutate.Points) (*Baseline, error) {
	rec, err := recording.New(plain, probed)
	if err != nil {
		return nil, err
	}
	b := &Baseline{rec: rec, run: probed, dropped: map[string]bool{}, points: map[string]*mutate.Points{}, root: plain.Root}
	for _, f := range files {
		b.points[f.Source.Path] = f
	}
	b.conclude(&Engine{}, plain)
	b.files.told = func(string) bool { return true }
	return b, nil
}

// Told writes what came of a search on some lines.
func Told(s mutate.Search) string { return told(s) }
