package exec

// Sequenced is how many outcomes came from sequences.
func (e *Engine) Sequenced() int64 { return e.sequenced.Load() }
