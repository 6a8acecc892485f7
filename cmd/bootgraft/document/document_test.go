package document

import (
	"encoding/json"
	"strings"
	"testing"
)

func TestMarshalPutsKindAndErrorBehindTheSchema(t *testing.T) {
	answer := struct {
		Schema int    `json:"schema"`
		Name   string `json:"name"`
	}{1, "<a>"}
	b, err := Marshal(KindFiles, answer, &Error{"failed", "a \"quoted\" <text>"})
	if err != nil {
		t.Fatal(err)
	}
	want := "{\n \"schema\": 1,\n \"kind\": \"files\",\n \"error\": {\"code\":\"failed\",\"text\":\"a \\\"quoted\\\" <text>\"},\n \"name\": \"<a>\"\n}\n"
	if string(b) != want || !json.Valid(b) {
		t.Errorf("have %s", b)
	}
}

// TestMarshalKeepsAHead: a document that begins with its head has it once, and
// nothing passes for another kind or another form.
func TestMarshalKeepsAHead(t *testing.T) {
	for kind, v := range map[Kind]any{KindError: NewFailed(), KindVersion: NewVersion("bootgraft", "", "", "", false, ""), KindDemo: NewDemo("x")} {
		b, err := Marshal(kind, v, nil)
		if err != nil || strings.Count(string(b), `"kind"`) != 1 || !strings.Contains(string(b), `"kind": "`+string(kind)+`"`) || !json.Valid(b) {
			t.Errorf("%s, %v", b, err)
		}
		if b, err := Marshal(KindFiles, v, nil); err == nil {
			t.Errorf("%s passes for another kind: %s", kind, b)
		}
	}
	other := struct {
		Schema int `json:"schema"`
	}{99}
	if b, err := Marshal(KindFiles, other, nil); err == nil {
		t.Errorf("another form is taken: %s", b)
	}
}

func TestMarshalWantsASchema(t *testing.T) {
	for _, v := range []any{struct{}{}, 1, map[string]int{"a": 1, "schema": 1}} {
		if b, err := Marshal(KindFiles, v, nil); err == nil {
			t.Errorf("%v is taken: %s", v, b)
		}
	}
}
