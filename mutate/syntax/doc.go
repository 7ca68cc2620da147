// Package syntax turns the bytes of a PHP file into a tree of plain Go values.
//
// It is the only package that knows which parser is underneath. What comes in
// is the text of one file, in whatever encoding it has; what goes out is a
// [File]: the same bytes, a tree of [Node] values with half-open, 0-based byte
// spans, and the list of regions that could not be read ([Damage]). A file is
// never written after [Parse] returns it, so any number of goroutines may read
// it.
//
// # What it promises
//
//   - Spans are offsets into the bytes that were given, whatever their
//     encoding, and File.Src is those bytes, unchanged.
//   - A syntax error never loses the rest of the file: nodes that touch a
//     damaged region are marked Bad and everything else stays usable.
//   - A node whose shape is known to differ from what PHP means by the same
//     text is given that shape, see doubt.go, or else marked Bad and listed in
//     Doubts: better no mutant than one that is described wrongly.
//   - Whatever takes long looks at the file's context; see [ParseContext].
//
// # With and without PHP's tokens
//
// [Parse] needs nothing but the text. [ParseTokens] also takes PHP's own
// tokens of it, and does two things more: it checks that the tree has its
// operators, literals and names where PHP has tokens (what differs is Bad),
// and it masks what the grammar cannot read, and mends the tree (mend.go). Each
// rule in maskrules.go, maskwords.go and hiderules.go is one construct, with a
// text in testdata/syntax/masks.txtar that the grammar alone misreads. Kinds of
// nodes that the grammar has for other places are used; besides those there are
// the operator "|>", and "(void)" as a token of a statement.
// [File.NeedsTokens] says whether it is worth asking for tokens.
//
// How far the trees can be trusted is tested against nikic/PHP-Parser, 4.15 and
// the newest, over any PHP files:
// PHP_CORPUS=DIR go test ./mutate/syntax -run TestSpansAgree.
//
// # What it does not do
//
// It resolves no names and no types, reads no other file, and runs no PHP.
package syntax
