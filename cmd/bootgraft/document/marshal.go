package document

import (
	"bytes"
	"encoding/json"
	"fmt"
)

// Marshal writes an answer as the one JSON object of its kind. Its type begins
// with the key schema; kind, and the error where there is one, come behind that.
// A type that begins with a Head has its kind already.
func Marshal(kind Kind, answer any, failed *Error) ([]byte, error) {
	var out bytes.Buffer
	enc := json.NewEncoder(&out)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", " ")
	if err := enc.Encode(answer); err != nil {
		return nil, err
	}
	var own struct {
		Schema *int
		Kind   *string
	}
	if err := json.Unmarshal(out.Bytes(), &own); err != nil || own.Schema == nil {
		return nil, fmt.Errorf("an answer of the kind %q has no schema (%v)", kind, err)
	}
	if want := Schemas[kind]; *own.Schema != want && own.Kind == nil {
		return nil, fmt.Errorf("an answer of the kind %q has the schema %d, and its form is %d", kind, *own.Schema, want)
	}
	if own.Kind != nil && Kind(*own.Kind) != kind {
		return nil, fmt.Errorf("an answer of the kind %q calls itself %q", kind, *own.Kind)
	}
	opening := fmt.Sprintf("{\n \"schema\": %d", *own.Schema)
	rest, ok := bytes.CutPrefix(out.Bytes(), []byte(opening))
	if !ok {
		return nil, fmt.Errorf("an answer of the kind %q does not begin with its schema", kind)
	}
	text := []byte(opening)
	if own.Kind == nil {
		text = fmt.Appendf(text, ",\n \"kind\": %q", kind)
	}
	if failed != nil {
		out := bytes.Buffer{}
		enc := json.NewEncoder(&out)
		enc.SetEscapeHTML(false)
		if err := enc.Encode(failed); err != nil {
			return nil, err
		}
		text = fmt.Appendf(text, ",\n \"error\": %s", bytes.TrimSpace(out.Bytes()))
	}
	return append(text, rest...), nil
}
