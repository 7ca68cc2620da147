package mutate

// A Finding is a way to tell a mutant from the original: calls that make an outcome which
// both sides give, and not alike. A test that makes the calls and asserts the original's
// outcome kills the mutant.
type Finding struct {
	Mutant *Mutant
	// Calls are made in their order. The last is the one whose outcome is looked at; those
	// before it make what it needs.
	Calls []Call
	// Looks says what of the last call's outcome is looked at, and what was seen there.
	Looks []Look
	// From is the test in which the last call was recorded, before its arguments were
	// changed.
	From TestID
	// Changed says that arguments are others than those recorded; otherwise the tests make
	// this very call and do not look at its outcome.
	Changed  bool
	Tried    int // inputs that were tried until this was found
	Differed int // of these, how many gave the changed expression another value
}

// A CallKind says how a call is made.
type CallKind uint8

const (
	CallUnset    CallKind = iota
	CallNew               // new Class(...)
	CallMethod            // $on->name(...)
	CallStatic            // Class::name(...)
	CallFunction          // name(...)
)

// A Call is one call of the project's code, as a test would make it.
type Call struct {
	Kind  CallKind
	On    string // the variable, without "$", of the receiver of CallMethod
	Class string // full name without a leading backslash; the receiver's own for CallMethod
	Name  string // of the method or function, as declared; a function's with its namespace
	Args  []Argument
	// Into is the variable, without "$", that later calls know the outcome by; "" where
	// none uses it.
	Into string
}

// An Argument is one of a call's.
type Argument struct {
	Name  string // for an argument that is given by its name; "" otherwise
	Value Value
}

// A ValueKind says which fields of a Value count.
type ValueKind uint8

const (
	ValueUnset    ValueKind = iota
	ValueNull               // null
	ValueBool               // Bool
	ValueInt                // Int
	ValueFloat              // Float, also NAN and infinite
	ValueString             // String, any bytes
	ValueArray              // Items, in their order
	ValueVariable           // Variable: what an earlier call gave
	ValueCase               // Class::Name, a case of an enum
	ValueNew                // new Class(Args...), of a class of PHP's own
)

// A Value is one that PHP code can write down.
type Value struct {
	Kind     ValueKind
	Bool     bool
	Int      int64
	Float    float64
	String   string
	Items    []Item
	Variable string
	Class    string
	Name     string
	Args     []Argument
}

// An Item is an element of an array; its key is an int or a string.
type Item struct {
	Key, Value Value
}

// A LookKind says what of a call's outcome is looked at.
type LookKind uint8

const (
	LookUnset    LookKind = iota
	LookResult            // what the call gives
	LookThrown            // the exception that ends it
	LookArgument          // an argument, afterwards; it is a variable
	LookReceiver          // the receiver, afterwards
	LookOutput            // what was printed
)

// A Look is one thing about the last call's outcome that is not the same in the mutant.
type Look struct {
	Kind     LookKind
	Argument int // 0-based, for LookArgument
	// Path leads from there to what is compared: public properties, keys of arrays,
	// methods without arguments.
	Path []Access
	// Original and Mutant are what was seen. Of the two at least one differs in kind or
	// value; Original is what a test asserts.
	Original, Mutant Outcome
}

// An Outcome is what was seen on one side.
type Outcome struct {
	Value   Value  // a plain one: never ValueVariable; ValueUnset where Class says it
	Class   string // of an object, or of the exception where Thrown is set
	Thrown  bool
	Message string // of the exception
	Code    int64  // of the exception
	// Text is the whole of it for people, on one line and shortened.
	Text string
}

// An AccessKind is a way from a value to a part of it.
type AccessKind uint8

const (
	AccessUnset    AccessKind = iota
	AccessProperty            // ->Name
	AccessMethod              // ->Name()
	AccessKey                 // [Key]
	AccessClass               // the class, as ::class gives it; the last of a path
	AccessAll                 // iterator_to_array(..., false); for what can be iterated
)

// An Access is a step of a path.
type Access struct {
	Kind AccessKind
	Name string
	Key  Value // an int or a string
}

// A Search is what came of looking for a Finding for one mutant.
type Search struct {
	Mutant   *Mutant
	Findings []Finding // the plainest first; empty where nothing was found
	// Seen is Unasserted or Absorbed where the calls of the tests, made again as they are, say
	// so; SeenUnset where they do not.
	Seen     SeenWord
	Tried    int // inputs that were tried
	Reached  int // of these, how many passed the change
	Differed int // of these, in how many the changed expression had another value; -1 where that cannot be seen
	// Why says in a sentence why nothing was looked for: no call was recorded that could be
	// made again, or the code writes files, or gives two answers. "" where it was.
	Why string
}
