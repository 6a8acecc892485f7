package compare

import (
	"bytes"
	"strings"
	"testing"
)

func TestRuleFileSaysWhoWroteIt(t *testing.T) {
	r, err := Decode(strings.NewReader(onPaper)) // of form 1
	if err != nil || r.WrittenBy != "" {
		t.Fatal(r, err)
	}
	r.WrittenBy = "bootgraft v1.2.3"
	var file bytes.Buffer
	if err := Encode(&file, r); err != nil {
		t.Fatal(err)
	}
	back, err := Decode(bytes.NewReader(file.Bytes()))
	if err != nil || back.WrittenBy != r.WrittenBy {
		t.Fatal(back, err)
	}
	var again bytes.Buffer
	if err := Encode(&again, back); err != nil || !bytes.Equal(file.Bytes(), again.Bytes()) {
		t.Errorf("read and written again it is another file: %v", err)
	}
	for _, c := range [][2]string{{"v1.2.3", "v1.2.4"}, {`"head": `, `"head": 1`}, {`"digest": "`, `"digest": "0`}, {`"schema": 3`, `"schema": 1`}} {
		forged := strings.Replace(file.String(), c[0], c[1], 1)
		if _, err := Decode(strings.NewReader(forged)); err == nil || forged == file.String() {
			t.Errorf("%s for %s is taken", c[1], c[0])
		}
	}
}
