package plan

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"bootgraft/image/disk"
	"bootgraft/layout"
)

// edit replaces the first old text in a plan file.
func edit(t *testing.T, file []byte, old, new string) []byte {
	t.Helper()
	if !bytes.Contains(file, []byte(old)) {
		t.Fatalf("the plan file does not hold %q:\n%s", old, file)
	}
	return bytes.Replace(file, []byte(old), []byte(new), 1)
}

func TestHandEditedPlansAreRefused(t *testing.T) {
	file := encoded(t, small(t))
	cases := []struct{ name, old, new, at, why string }{ // at: the text at which the error has to point
		{"gap", `{"start":3002,"count":1000,"op":"leave"`, `{"start":3003,"count":999,"op":"leave"`, `{"start":3003`, "nobody owns the 1 sector before it"},
		{"overlap", `"start":2,"count":3000`, `"start":2,"count":3001`, `{"start":3002,"count":1000`, "the part before it owns its first 1 sector too"},
		{"left over", `"count":1,"op":"render"`, `"count":0,"op":"render"`, `{"start":8191`, "holds no sector"},
		{"leave at the start", `"op":"copy","from":2,`, `"op":"leave",`, `{"start":2,`, "first and last 1 MiB"},
		{"leave at the end", `"op":"zero"`, `"op":"leave"`, `{"start":4002,`, "first and last 1 MiB"},
		{"copy of nothing", `"from":2,`, `"from":5999,`, `{"start":2,`, "outside the source"},
		{"unknown field", `"rank":2}`, `"rank":2,"colour":1}`, `,"colour"`, `want '}'`},
		{"unknown field first", `"why":"excess"`, `"colour":1,"why":"excess"`, `"colour"`, `want the field "why"`},
		{"repeated field", `"op":"leave"`, `"op":"leave","op":"leave"`, `"op":"leave","why"`, `want the field "why"`},
		{"missing field", `"rank":2}`, `}`, "},\n{\"start\":2,", `want '"'`},
		{"other order", `"count":4189,"op":"zero"`, `"op":"zero","count":4189`, `"op":"zero","count"`, `want the field "count"`},
		{"from of zero", `"op":"zero"`, `"op":"zero","from":0`, `"from":0,"why":"excess"`, `want the field "why"`},
		{"copy without from", `"from":2,`, ``, `"why":"unchanged"`, `want the field "from"`},
		{"unknown op", `"op":"leave"`, `"op":"keep"`, `"keep"`, "no provenance"},
		{"unknown reason", `"why":"excess"`, `"why":"because"`, `"because"`, "no reason"},
		{"rank 4", `"rank":2}`, `"rank":4}`, `4}`, "no rank 4"},
		{"text for a number", `"start":3002`, `"start":"3002"`, `"3002"`, "whole number"},
		{"fraction", `"start":3002`, `"start":3002.0`, `3002.0`, "not written as a whole one"},
		{"exponent", `"start":3002`, `"start":3002e0`, `3002e0`, "not written as a whole one"},
		{"leading zero", `"start":3002`, `"start":03002`, `03002`, "whole number"},
		{"negative", `"start":3002`, `"start":-3002`, `-3002`, "whole number"},
		{"huge number", `"start":3002`, `"start":9223372036854775808`, `9223372036854775808`, "too large"},
		{"sector size", `"sector_size":512`, `"sector_size":1048577`, `1048577`, "no sector has"},
		{"small sector size", `"sector_size":512`, `"sector_size":256`, `{"sectors"`, "256 bytes is not"},
		{"reasons of a list", `"reasons": {`, `"reasons": [`, "[\n\"unchanged\"", "want '{'"},
		{"schema", `"schema": 1`, `"schema": 3`, `3,`, "this plan is of form 3, and this program reads forms up to 2; a newer bootgraft reads it"},
		{"no schema", `"schema": 1,`, ``, `"target"`, `want the field "schema"`},
		{"reason text", "beyond everything", "beyond all", `"beyond all`, "does not have this text"},
		{"reason left out", "\n\"excess\":\"beyond everything that the original had\",", "", `"volume-free":`, `want the field "excess"`},
		{"trailing data", "\"\n}\n", "\"\n}\n{}", "{}", "the plan has ended"},
		{"digest", `"digest": "1`, `"digest": "0`, `"010e0746`, "the digest does not fit"},
		{"path", `Ünit`, `Unit`, `"110e0746`, "the digest does not fit"},
		{"escaped op", `"op":"leave"`, `"op":"l\u0065ave"`, `"why":"volume-free"`, "without a backslash"},
		{"base64", `"Zmly`, `"Z*ly`, `"Z*ly`, "illegal base64"},
		{"short base64", "=\"\n]", "=\",\n\"AAAA\"\n]", `"AAAA"`, "only the last"},
		{"empty base64", "=\"\n]", "=\",\n\"\"\n]", "\"\"\n]", "only the last"},
		{"no bytes", `"rendered": [`, `"rendered": ["", `, `"", `, "holds 0 bytes"},
		{"accepted", `"accepted":true`, `"accepted":yes`, `yes`, "want false"},
		{"severity", `"severity":"warning"`, `"severity":"error"`, "[\n{\"code\"", "no severity"},
	}
	for _, c := range cases {
		edited := edit(t, file, c.old, c.new)
		_, err := Decode(bytes.NewReader(edited), int64(len(edited)))
		var fe *FileError
		if !errors.As(err, &fe) || !strings.Contains(err.Error(), c.why) {
			t.Errorf("%s: %v; want %q", c.name, err, c.why)
			continue
		}
		if want := bytes.Index(edited, []byte(c.at)); !pointsAt(edited, fe.Offset, int64(want)) {
			t.Errorf("%s: %v: that is %.20q; want byte %d", c.name, err, edited[min(int(fe.Offset), len(edited)):], want)
		}
	}
}

// pointsAt allows for the quote or brace that ends what the error is about.
func pointsAt(file []byte, got, want int64) bool {
	return got == want || got < want && want-got <= 2 && int(want) <= len(file)
}

// An error in a piece names the piece, also one that only the proof finds.
func TestErrorNamesThePiece(t *testing.T) {
	file := edit(t, encoded(t, small(t)), `"from":2,`, `"from":5999,`)
	_, err := Decode(bytes.NewReader(file), int64(len(file)))
	var proof *ProofError
	if !errors.As(err, &proof) || proof.Part != "pieces" || proof.Index != 1 {
		t.Errorf("%v", err)
	}
}

// encoding/json, a reader that is not ours, takes the file; and the file that
// it writes in its own layout is still the same plan.
func TestOtherWhiteSpace(t *testing.T) {
	p := small(t)
	file := encoded(t, p)
	for _, indent := range []string{"", "\t"} {
		var out bytes.Buffer
		if err := json.Indent(&out, file, "", indent); err != nil {
			t.Fatal(err)
		}
		if !same(t, p, decoded(t, out.Bytes())) {
			t.Errorf("with indent %q it is another plan", indent)
		}
	}
	var out bytes.Buffer
	if err := json.Compact(&out, file); err != nil {
		t.Fatal(err)
	}
	if !same(t, p, decoded(t, out.Bytes())) {
		t.Error("without white space it is another plan")
	}
}

func TestDescribeIsTheFileWithoutItsBytes(t *testing.T) {
	var out bytes.Buffer
	p := small(t)
	if err := Describe(&out, p, Beside{"starts", map[string]any{"answer": "<yes>"}}); err != nil {
		t.Fatal(err)
	}
	var brief, full map[string]any
	if err := errors.Join(json.Unmarshal(out.Bytes(), &brief), json.Unmarshal(encoded(t, p), &full)); err != nil {
		t.Fatal(err)
	}
	delete(full, "rendered")
	full["starts"] = map[string]any{"answer": "<yes>"}
	a, _ := json.Marshal(brief)
	b, _ := json.Marshal(full)
	if !bytes.Equal(a, b) {
		t.Errorf("described as\n%s\nwant\n%s", a, b)
	}
}

func TestRenderedBytesAreReadFromTheFile(t *testing.T) {
	b := NewBuilder(Size{400, 512}, Source{Size: Size{1, 512}, Digest: someDigest})
	data := make([]byte, 300*512)
	for i := range data {
		data[i] = byte(i * 7 >> 3)
	}
	b.Render(0, data, layout.WhyTable, layout.RankFirst)
	b.Zero(disk.Span{Start: 300, Count: 100}, layout.WhyExcess, layout.RankData)
	p, err := b.Plan()
	if err != nil {
		t.Fatal(err)
	}
	file := encoded(t, p)
	q := decoded(t, file)
	buf := make([]byte, 1000)
	for _, off := range []int64{0, 511, block - 10, block, 2*block - 1, int64(len(data)) - 1000} {
		if n, err := q.Rendered.ReadAt(buf, off); err != nil || !bytes.Equal(buf[:n], data[off:off+1000]) {
			t.Errorf("at %d: %d bytes, %v", off, n, err)
		}
	}
	if n, err := q.Rendered.ReadAt(buf, int64(len(data))-10); n != 10 || err != io.EOF {
		t.Errorf("at the end: %d bytes, %v", n, err)
	}
	// A file that changes after it was opened gives an error, never other bytes.
	at := bytes.Index(file, []byte(`"rendered"`)) + 200
	file[at] ^= 1
	for _, off := range []int64{block, 0, block} {
		n, err := q.Rendered.ReadAt(buf, off)
		if off == 0 && (err == nil || !strings.Contains(err.Error(), "changed")) {
			t.Errorf("a changed file gives %d bytes and %v", n, err)
		}
		if off > 0 && (err != nil || !bytes.Equal(buf, data[off:off+1000])) {
			t.Errorf("a part that did not change: %d bytes, %v", n, err)
		}
	}
}

// RFC 4648, section 3.5: bits of the last character that no byte needs are
// zero, and a decoder may refuse others. 1024 bytes leave four such bits.
func TestUnusedBitsAreZero(t *testing.T) {
	file := encoded(t, small(t))
	at := bytes.Index(file, []byte(`=="`)) - 1
	file[at]++ // the next letter of the alphabet
	if _, err := Decode(bytes.NewReader(file), int64(len(file))); err == nil || !strings.Contains(err.Error(), "base64") {
		t.Errorf("taken, or refused for another reason: %v", err)
	}
}

// The form of the file is a contract: scripts read it, and old files stay.
func TestFormOfTheFile(t *testing.T) {
	want, err := os.ReadFile(filepath.Join("..", "..", "testdata", "plan", "small.json"))
	if err != nil {
		t.Fatal(err)
	}
	p := small(t)
	if got := encoded(t, p); !bytes.Equal(got, want) {
		t.Errorf("the plan file is\n%s\nand was\n%s", got, want)
	}
	if !same(t, p, decoded(t, want)) {
		t.Error("the stored file is another plan")
	}
}

func TestReadErrorsAreNotMistakenForBadPlans(t *testing.T) {
	file := encoded(t, small(t))
	broken := errors.New("drive gone")
	_, err := Decode(failing{bytes.NewReader(file), int64(len(file)) - 1, broken}, int64(len(file)))
	var fe *FileError
	if !errors.Is(err, broken) || errors.As(err, &fe) {
		t.Errorf("%v", err)
	}
	p := small(t)
	p.Rendered = brokenPool{broken}
	if err := Encode(io.Discard, p); !errors.Is(err, broken) {
		t.Errorf("writing with rendered bytes that cannot be read: %v", err)
	}
	if _, err := Decode(bytes.NewReader(file), int64(len(file))+1); !errors.Is(err, io.ErrUnexpectedEOF) {
		t.Errorf("a file shorter than it is said to be: %v", err)
	}
}

type brokenPool struct{ err error }

func (brokenPool) Size() int64                         { return 1024 }
func (b brokenPool) ReadAt([]byte, int64) (int, error) { return 0, b.err }

// endless is a file of one byte repeated after a beginning, with no memory
// behind it.
type endless struct {
	begin string
	then  byte
}

func (e endless) ReadAt(p []byte, off int64) (int, error) {
	for i := range p {
		p[i] = e.then
		if at := off + int64(i); at < int64(len(e.begin)) {
			p[i] = e.begin[at]
		}
	}
	return len(p), nil
}

// Large files that try to take memory: a string that does not end, and as many
// braces as fit.
func TestHostileFilesTakeNoMemory(t *testing.T) {
	file := string(encoded(t, small(t)))
	until := func(s string) string { return file[:strings.Index(file, s)+len(s)] }
	cases := map[string]endless{
		"schema":   {until(`"schema": `), '1'},
		"path":     {until(`"path":"`), 'x'},
		"escapes":  {until(`"path":"`), '\\'},
		"digest":   {until(`"digest":"`), 'a'},
		"op":       {until(`"op":"`), 'c'},
		"text":     {until(`"text":"`), 'x'},
		"rendered": {until("\"rendered\": [\n\""), 'A'},
		"braces":   {until(`"pieces": [`), '{'},
	}
	for name, e := range cases {
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		_, err := Decode(e, 16<<20)
		runtime.ReadMemStats(&after)
		var fe *FileError
		if !errors.As(err, &fe) {
			t.Errorf("%s: %v", name, err)
		}
		// So much text can hold 310,000 pieces: room for them is made.
		limit := uint64(4 << 20)
		if name == "braces" {
			limit += 32 * (16 << 20) / 54
		}
		if took := after.TotalAlloc - before.TotalAlloc; took > limit {
			t.Errorf("%s: %d bytes allocated", name, took)
		}
	}
}
