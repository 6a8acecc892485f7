package document

import (
	"bytes"
	"encoding/json"
	"fmt"
	"slices"
)

// Document is the one JSON object of an answer: a type that begins with a Head.
type Document interface{ head() *Head }

func (h *Head) head() *Head { return h }

// Marshal writes a document, with the error where there is one.
func Marshal(d Document, failed *Error) ([]byte, error) {
	d.head().Error = failed
	var out bytes.Buffer
	enc := json.NewEncoder(&out)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", " ")
	err := enc.Encode(d)
	if failed == nil || err != nil {
		return out.Bytes(), err
	}
	// The error stands on one line, as it always did: a script may look at lines.
	before, rest, _ := bytes.Cut(out.Bytes(), []byte(`"error": {`))
	inside, after, _ := bytes.Cut(rest, []byte("\n }"))
	var line bytes.Buffer
	err = json.Compact(&line, fmt.Appendf(nil, "{%s}", inside))
	return slices.Concat(before, []byte(`"error": `), line.Bytes(), after), err
}
