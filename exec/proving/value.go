package proving

import (
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"strconv"
	"unicode/utf8"

	"assay/mutate"
)

// encoded gives what stands for a value in messages; see ProverValues.php.
func encoded(v mutate.Value) any {
	switch v.Kind {
	case mutate.ValueNull:
		return nil
	case mutate.ValueBool:
		return v.Bool
	case mutate.ValueInt:
		return v.Int
	case mutate.ValueFloat:
		return map[string]string{"f": floatText(v.Float)}
	case mutate.ValueString:
		if utf8.ValidString(v.String) && (v.String == "" || v.String[0] != 0) {
			return v.String
		}
		return map[string]string{"b": base64.StdEncoding.EncodeToString([]byte(v.String))}
	case mutate.ValueArray:
		pairs := [][2]any{}
		for _, i := range v.Items {
			pairs = append(pairs, [2]any{encoded(i.Key), encoded(i.Value)})
		}
		return map[string]any{"a": pairs}
	case mutate.ValueVariable:
		return map[string]string{"v": v.Variable}
	case mutate.ValueCase:
		return map[string][2]string{"c": {v.Class, v.Name}}
	case mutate.ValueNew:
		args := []any{}
		for _, a := range v.Args {
			args = append(args, encoded(a.Value))
		}
		return map[string]any{"n": [2]any{v.Class, args}}
	}
	panic(fmt.Sprintf("proving: a value of kind %d", v.Kind))
}

// floatText writes a float as PHP's var_export() does, near enough to be read there.
func floatText(f float64) string {
	switch {
	case math.IsNaN(f):
		return "NAN"
	case math.IsInf(f, 1):
		return "INF"
	case math.IsInf(f, -1):
		return "-INF"
	}
	return strconv.FormatFloat(f, 'g', -1, 64)
}

// A noValueError says why something has no value that PHP code can write down.
type noValueError struct{ what string }

func (e noValueError) Error() string { return e.what }

// decoded reads a value. An object that a recording knows becomes a variable "#" with its
// number, any other one a variable "?" with its class. The error is a noValueError where there is none.
func decoded(b json.RawMessage) (mutate.Value, error) {
	var v mutate.Value
	if len(b) == 0 {
		return v, errors.New("no value")
	}
	switch b[0] {
	case 'n':
		v.Kind = mutate.ValueNull
		return v, nil
	case 't', 'f':
		v.Kind, v.Bool = mutate.ValueBool, b[0] == 't'
		return v, nil
	case '"':
		v.Kind = mutate.ValueString
		return v, json.Unmarshal(b, &v.String)
	case '{':
		return decodedObject(b)
	case '[':
		return v, errors.New("a value that is a list")
	}
	n, err := strconv.ParseInt(string(b), 10, 64)
	v.Kind, v.Int = mutate.ValueInt, n
	return v, err
}

func decodedObject(b json.RawMessage) (v mutate.Value, err error) {
	var of map[string]json.RawMessage
	if err := json.Unmarshal(b, &of); err != nil {
		return v, err
	}
	for kind, in := range of {
		switch kind {
		case "b":
			v.Kind = mutate.ValueString
			var text []byte
			err = json.Unmarshal(in, &text)
			v.String = string(text)
		case "f":
			v.Kind = mutate.ValueFloat
			var text string
			if err = json.Unmarshal(in, &text); err == nil {
				v.Float, err = floatOf(text)
			}
		case "a":
			v.Kind = mutate.ValueArray
			v.Items, err = decodedItems(in)
		case "o":
			v.Kind, v.Variable = mutate.ValueVariable, "#"+string(in)
		case "y":
			var class string
			err = json.Unmarshal(in, &class)
			v.Kind, v.Variable = mutate.ValueVariable, "?"+class
		case "v":
			v.Kind = mutate.ValueVariable
			err = json.Unmarshal(in, &v.Variable)
		case "c":
			var pair [2]string
			err = json.Unmarshal(in, &pair)
			v.Kind, v.Class, v.Name = mutate.ValueCase, pair[0], pair[1]
		case "n":
			return decodedNew(in)
		case "x":
			var why string
			err = json.Unmarshal(in, &why)
			return v, errors.Join(err, noValueError{why})
		default:
			return v, noValueError{"an object"}
		}
	}
	return v, err
}

func floatOf(text string) (float64, error) {
	switch text {
	case "NAN":
		return math.NaN(), nil
	case "INF":
		return math.Inf(1), nil
	case "-INF":
		return math.Inf(-1), nil
	}
	return strconv.ParseFloat(text, 64)
}

func decodedItems(b json.RawMessage) (items []mutate.Item, err error) {
	var pairs [][2]json.RawMessage
	if err := json.Unmarshal(b, &pairs); err != nil {
		return nil, err
	}
	for _, p := range pairs {
		var i mutate.Item
		if i.Key, err = decoded(p[0]); err != nil {
			return nil, err
		}
		if i.Value, err = decoded(p[1]); err != nil {
			return nil, err
		}
		items = append(items, i)
	}
	return items, nil
}

func decodedNew(b json.RawMessage) (v mutate.Value, err error) {
	var pair struct {
		class string
		args  []json.RawMessage
	}
	if err := json.Unmarshal(b, &[2]any{&pair.class, &pair.args}); err != nil {
		return v, err
	}
	v.Kind, v.Class = mutate.ValueNew, pair.class
	for _, a := range pair.args {
		arg, err := decoded(a)
		if err != nil {
			return v, err
		}
		v.Args = append(v.Args, mutate.Argument{Value: arg})
	}
	return v, nil
}

// same reports whether two values are written alike.
func same(a, b mutate.Value) bool { return keyOf(a) == keyOf(b) }

// keyOf tells values apart.
func keyOf(v mutate.Value) string {
	b, err := json.Marshal(encoded(v))
	if err != nil {
		panic(err)
	}
	return string(b)
}

// size is how much there is to read of a value: bytes of texts, and one for all else.
func size(v mutate.Value) int {
	n := 1 + len(v.String) + max(0, digits(v)-shortNumber)
	for _, i := range v.Items {
		n += size(i.Value)
		if i.Key.Kind == mutate.ValueString {
			n += len(i.Key.String)
		}
	}
	for _, a := range v.Args {
		n += size(a.Value)
	}
	return n
}

// shortNumber is how many characters of a number are read at a glance.
const shortNumber = 4

// digits is how long a number is; 0 for what is none.
func digits(v mutate.Value) int {
	switch v.Kind {
	case mutate.ValueInt:
		return len(strconv.FormatInt(v.Int, 10))
	case mutate.ValueFloat:
		return len(floatText(v.Float))
	}
	return 0
}

func null() mutate.Value             { return mutate.Value{Kind: mutate.ValueNull} }
func boolean(b bool) mutate.Value    { return mutate.Value{Kind: mutate.ValueBool, Bool: b} }
func integer(n int64) mutate.Value   { return mutate.Value{Kind: mutate.ValueInt, Int: n} }
func float(f float64) mutate.Value   { return mutate.Value{Kind: mutate.ValueFloat, Float: f} }
func text(s string) mutate.Value     { return mutate.Value{Kind: mutate.ValueString, String: s} }
func variable(s string) mutate.Value { return mutate.Value{Kind: mutate.ValueVariable, Variable: s} }
func array(items ...mutate.Item) mutate.Value {
	return mutate.Value{Kind: mutate.ValueArray, Items: items}
}
