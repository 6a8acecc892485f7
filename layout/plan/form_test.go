package plan

import (
	"bytes"
	"errors"
	"strings"
	"testing"

	"bootgraft/image/disk"
)

func TestPlanSaysWhoWroteIt(t *testing.T) {
	old, p := small(t), small(t)
	p.WrittenBy = "bootgraft v1.2.3 (0123456789ab)"
	file := encoded(t, p)
	if !bytes.Equal(file, encoded(t, p)) {
		t.Error("the same plan gave two files")
	}
	if back := decoded(t, file); back.WrittenBy != p.WrittenBy {
		t.Errorf("it comes back as written by %q", back.WrittenBy)
	}
	if strings.Contains(string(encoded(t, old)), "written_by") || decoded(t, encoded(t, old)).form() != 1 {
		t.Error("a plan that does not say who wrote it is not of form 1")
	}
	a, _ := p.Digest()
	b, _ := old.Digest()
	if a == b {
		t.Error("who wrote it is not in the check number")
	}
	forged := edit(t, file, "v1.2.3", "v1.2.4")
	var digest *DigestError
	if _, err := Decode(bytes.NewReader(forged), int64(len(forged))); !errors.As(err, &digest) {
		t.Errorf("another writer is not seen: %v", err)
	}
	for _, c := range [][2]string{
		{`"kind": "plan"`, `"kind": "kit"`},
		{`"kind": "plan",`, ``},
		{`bootgraft v1.2.3 (0123456789ab)`, ``},
		{`bootgraft v1.2.3 (0123456789ab)`, `a\nb`},
		{`"schema": 2`, `"schema": 0`},
		{`"schema": 2`, `"schema": 1`},
	} {
		forged := edit(t, file, c[0], c[1])
		if _, err := Decode(bytes.NewReader(forged), int64(len(forged))); err == nil {
			t.Errorf("%s for %s is taken", c[1], c[0])
		}
	}
}

func TestNewerPlanIsNamed(t *testing.T) {
	for _, file := range []string{"{\n\"schema\": 3,\n\"kind\": \"plan\",\n\"colour\": 1}", `{"schema": 3}`} {
		var newer *disk.NewerFormError
		_, err := Decode(strings.NewReader(file), int64(len(file)))
		if !errors.As(err, &newer) || newer.Form != 3 || newer.Most != schema {
			t.Errorf("%s: %v", file, err)
		}
	}
}

func TestBeginsAsAPlan(t *testing.T) {
	for head, want := range map[string]bool{
		string(encoded(t, small(t))):                               true,
		"{\"schema\":2,\"kind\":\"plan\",\"written_by\":\"x\"":     true,
		"{\n\"schema\": 77,\n\"kind\": \"plan\",":                  true, // refused by name, so a plan
		"{\"schema\":2,\"kind\":\"survey\"":                        false,
		"{\"schema\":1,\"kind\":\"boot area rules\"":               false,
		"{\"schema\":1,\"source\":{\"sectors\":8,\"sector_size\":": false,
		"": false,
	} {
		if Begins([]byte(head)) != want {
			t.Errorf("%.60q: not %t", head, want)
		}
	}
	p := small(t)
	p.WrittenBy = strings.Repeat("w", disk.MaxWriter)
	if !Begins(encoded(t, p)) {
		t.Error("a plan with a long writer is none")
	}
}
