package syntax

import (
	"sync"

	sitter "github.com/smacker/go-tree-sitter"
)

// NamedKind reports whether the grammar has named nodes of a kind. Supertypes
// ("expression") are no kinds of nodes.
func NamedKind(kind string) bool { return namedKinds()[kind] }

var namedKinds = sync.OnceValue(func() map[string]bool {
	out := map[string]bool{}
	for s := range language.SymbolCount() {
		if language.SymbolType(sitter.Symbol(s)) == sitter.SymbolTypeRegular {
			out[language.SymbolName(sitter.Symbol(s))] = true
		}
	}
	return out
})
