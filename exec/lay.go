package exec

import (
	"context"

	"assay/mutate"
)

// laying is a project with probes.
type laying struct {
	sources []*mutate.Points
	texts   map[string][]byte // by path: sources, and what else has points
	dropped map[string]bool   // sources that PHP does not take with probes
	helpers []*mutate.Points  // of test files and what else is no source
}

// lay puts probes into the texts of sources and helpers. A source that PHP does not
// take with them is left without points.
func (e *Engine) lay(ctx context.Context, files []*mutate.Points) (*laying, error) {
	l := &laying{sources: files, texts: map[string][]byte{}, dropped: map[string]bool{}}
	for _, p := range files {
		text, ok := p.Probed(), false
		if p.Count > 0 {
			var err error
			if ok, err = e.lint.parses(text); err != nil {
				return nil, err
			}
		}
		if ok {
			l.texts[p.Source.Path] = text
		} else {
			l.dropped[p.Source.Path] = true
		}
	}
	var err error
	if l.helpers, err = e.helperPoints(ctx, files); err != nil {
		return nil, err
	}
	for _, p := range l.helpers {
		l.texts[p.Source.Path] = p.Probed()
	}
	return l, nil
}
