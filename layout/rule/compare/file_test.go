package compare

import (
	"bytes"
	"context"
	"encoding/json"
	"reflect"
	"strings"
	"testing"

	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout/rule/compare/family"
)

// sheet of a rule file as it is read on paper: one number at the end of the
// head, one checksum over it, one copy in other words with a number of its own.
const onPaper = `{
 "schema": 1,
 "kind": "boot area rules",
 "sector_size": 512,
 "sizes": [1024129, 1108800, 1179840],
 "head": 8,
 "tail": 8,
 "fields": [{
  "from": "start", "sector": 0, "byte": 80, "class": "address", "width": 4, "bits": 51.2,
  "value": "N - 8",
  "ways": [{"byte": 80, "encoding": "be32", "formulas": [
   {"times": 1, "of": 1, "per": 1, "add_min": -8, "add_max": -8, "plus": 0}]}]
 }],
 "copies": [{
  "of": {"from": "start", "sector": 0, "byte": 0}, "to": {"from": "end", "sector": 1, "byte": 0},
  "count": 1, "back": false, "order": 4,
  "own": [{"from": "end", "sector": 1, "byte": 511, "count": 1, "class": "copy number"}]
 }],
 "checks": [{
  "from": "start", "sector": 0, "byte": 504, "width": 2, "bits": 60,
  "ways": [{"sum": "sum16-le", "encoding": "le16", "byte": 504,
   "start": {"from": "start", "sector": 0, "byte": 0}, "count": 504, "order": 1}]
 }],
 "carried": [{"from": "start", "sector": 0, "byte": 48, "count": 8, "class": "identity"}]
}`

// TestRuleFileOnPaper: the rules do by hand what they say.
func TestRuleFileOnPaper(t *testing.T) {
	r, err := Decode(strings.NewReader(onPaper))
	if err != nil {
		t.Fatal(err)
	}
	src := imagetest.New(1024129, 512)
	head := make([]byte, 512)
	copy(head[80:], "\x00\x0F\xA0\x79") // 1,024,121
	head[504], head[505] = 0xA0, 0x88   // 0x0F00 + 0x79A0
	src.Put(0, head)
	foot := turned(head)
	foot[511] = 9
	src.Put(1024128, foot)
	out, err := Apply(r, src, 1_048_576)
	if err != nil {
		t.Fatal(err)
	}
	copy(head[80:], "\x00\x0F\xFF\xF8") // 1,048,568
	head[504], head[505] = 0xFF, 0x07   // 0x0F00 + 0xF8FF, without the carry
	foot = turned(head)
	foot[511] = 9
	if len(out.Sectors) != 2 || out.Sectors[0].At != 0 || out.Sectors[1].At != 1_048_575 {
		t.Fatalf("sectors %v", out.Sectors)
	}
	if !bytes.Equal(out.Sectors[0].Bytes, head) || !bytes.Equal(out.Sectors[1].Bytes, foot) {
		t.Errorf("the card is\n% x\n% x\nwant\n% x\n% x", out.Sectors[0].Bytes, out.Sectors[1].Bytes, head, foot)
	}
	if len(out.Findings) != 1 || out.Findings[0].Code != "rules-carried-identity" {
		t.Errorf("findings %v", out.Findings)
	}
}

// turned reverses words of 4 bytes.
func turned(b []byte) []byte {
	out := make([]byte, len(b))
	for i := range b {
		out[i] = b[i/4*4+3-i%4]
	}
	return out
}

// TestRuleFileRoundTrip: what is written reads the same, for every device.
func TestRuleFileRoundTrip(t *testing.T) {
	for _, f := range family.Named() {
		c := compareWide(t, f, family.NamedSizes())
		text := encoded(t, &c.Rules)
		r, err := Decode(bytes.NewReader(text))
		if err != nil {
			t.Fatalf("%s: %v", f.Name, err)
		}
		if again := encoded(t, r); !bytes.Equal(text, again) {
			t.Errorf("%s: a rule file changes when it is read and written", f.Name)
		}
		if !reflect.DeepEqual(r.Copies, c.Copies) || !reflect.DeepEqual(r.Carried, c.Carried) ||
			len(r.Fields) != len(c.Fields) || len(r.Checks) != len(c.Checks) {
			t.Errorf("%s: rules are lost in the file", f.Name)
		}
	}
}

func encoded(t testing.TB, r *Rules) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := Encode(&b, r); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// TestDecodeRefuses what no comparison writes.
func TestDecodeRefuses(t *testing.T) {
	for _, c := range []struct{ old, spoilt, why string }{
		{`"schema": 1`, `"schema": 4`, "this rule file is of form 4, and this program reads forms up to 3; a newer bootgraft reads it"},
		{`"schema": 1`, `"schema": 1, "colour": 1`, "colour"},
		{`"kind": "boot area rules"`, `"kind": "rules"`, "kind"},
		{`"head": 8`, `"head": 4, "head": 8`, "twice"},
		{`"be32", "formulas"`, `"be32", "Encoding": "le32", "formulas"`, "twice"}, // Go reads names without regard to case
		{`"value": "N - 8"`, `"value": "N - 9"`, "its numbers say"},
		{`"sector_size": 512`, `"sector_size": 500`, "500"},
		{`"head": 8`, `"head": 9999999`, "areas"},
		{`"byte": 80, "class"`, `"byte": 510, "class"`, "does not fit its place"},
		{`"encoding": "be32"`, `"encoding": "be31"`, "be31"},
		{`"be32", "formulas"`, `"be32", "share": 2, "formulas"`, "more usual than any"},
		{`"per": 1`, `"per": 0`, "no formula"},
		{`"times": 1`, `"times": 0`, "cannot be computed"},
		{`"class": "address"`, `"class": "content"`, "no field"},
		{`"order": 4`, `"order": 3`, "byte order"},
		{`"count": 1, "back"`, `"count": 9, "back"`, "leaves the areas"},
		{`"sum": "sum16-le"`, `"sum": "sum17"`, "sum17"},
		{`"sum": "sum16-le"`, `"sum": "sum8"`, "does not fit its place"},
		{`"count": 504`, `"count": 99999`, "leaves the areas"},
		{`"count": 504, "order": 1`, `"count": 503, "order": 2`, "inside a word"},
		{`"byte": 48, "count": 8`, `"byte": 600, "count": 8`, "outside the areas"},
	} {
		if strings.Count(onPaper, c.old) == 0 {
			t.Fatalf("nothing to spoil: %s", c.old)
		}
		_, err := Decode(strings.NewReader(strings.Replace(onPaper, c.old, c.spoilt, 1)))
		if err == nil || !strings.Contains(err.Error(), c.why) {
			t.Errorf("%s: %v", c.spoilt, err)
		}
	}
	if _, err := Decode(strings.NewReader(onPaper + "{}")); err == nil {
		t.Error("something behind the rules was accepted")
	}
	if _, err := Decode(strings.NewReader(strings.Repeat(" ", MaxFile+1))); err == nil ||
		!strings.Contains(err.Error(), "larger") {
		t.Errorf("a file without end: %v", err)
	}
}

// FuzzDecode: whatever a rule file says, it is refused, or everything that is
// done with rules ends, and it reads the same after it was written.
func FuzzDecode(f *testing.F) {
	f.Add([]byte(onPaper))
	for _, model := range family.Named()[:3] {
		var dumps []Dump
		for _, n := range family.NamedSizes() {
			dumps = append(dumps, Dump{Source: model.Disk(n, foreign)})
		}
		c, err := Run(context.Background(), dumps, Options{Head: 24, Tail: 8})
		if err != nil {
			f.Fatal(err)
		}
		text := encoded(f, &c.Rules)
		var small bytes.Buffer
		if err := json.Compact(&small, text); err != nil {
			f.Fatal(err)
		}
		f.Add(small.Bytes())
	}
	src := family.Named()[1].Disk(300_000, foreign)
	f.Fuzz(func(t *testing.T, b []byte) {
		r, err := Decode(bytes.NewReader(b))
		if err != nil {
			return
		}
		for _, n := range []disk.Sector{0, 5, 300_001, 1 << 40, 1 << 62} {
			r.For(n)
			r.Advise(n, []disk.Sector{1, 200_000, 1 << 41})
			out, err := Apply(r, src, n)
			if (out == nil) == (err == nil) {
				t.Fatal("neither a card nor an error, or both")
			}
		}
		if _, err := r.Broken(src); err != nil {
			t.Fatalf("a disk that can be read: %v", err)
		}
		text := encoded(t, r)
		again, err := Decode(bytes.NewReader(text))
		if err != nil {
			t.Fatalf("what was written does not read: %v", err)
		}
		if !bytes.Equal(encoded(t, again), text) {
			t.Fatal("a rule file changes when it is read and written")
		}
	})
}
