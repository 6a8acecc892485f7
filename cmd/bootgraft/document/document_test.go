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
	}{3, "<a>"}
	b, err := Marshal(KindFiles, answer, &Error{"failed", "a \"quoted\" <text>"})
	if err != nil {
		t.Fatal(err)
	}
	want := "{\n \"schema\": 3,\n \"kind\": \"files\",\n \"error\": {\"code\":\"failed\",\"text\":\"a \\\"quoted\\\" <text>\"},\n \"name\": \"<a>\"\n}\n"
	if string(b) != want || !json.Valid(b) {
		t.Errorf("have %s", b)
	}
}

func TestMarshalKeepsAKindOfItsOwn(t *testing.T) {
	for _, v := range []any{NewFailed(), NewVersion("bootgraft", "", "", "", false, "")} {
		b, err := Marshal(KindFiles, v, nil)
		if err != nil || strings.Count(string(b), `"kind"`) != 1 || strings.Contains(string(b), `"files"`) || !json.Valid(b) {
			t.Errorf("%s, %v", b, err)
		}
	}
}

func TestMarshalWantsASchema(t *testing.T) {
	for _, v := range []any{struct{}{}, 1, map[string]int{"a": 1, "schema": 1}} {
		if b, err := Marshal(KindFiles, v, nil); err == nil {
			t.Errorf("%v is taken: %s", v, b)
		}
	}
}
