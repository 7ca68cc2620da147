//go:build unix && !linux

package exec

// opens is missing here: whatever was asked for, everything may have been opened.
type opens struct{}

func watchOpens(string) *opens { return &opens{} }

func (o *opens) take() []string { return []string{everything} }

func (o *opens) settle() {}
