package record

import (
	"bytes"
	"errors"
	"io"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
)

// A line is read as it was written, and after each of them the file may be cut off:
// what is whole is read, and the rest is torn. The checksum is that of zip files.
func TestALineIsReadAsItWasWritten(t *testing.T) {
	var a Appender
	text := a.Words()
	whole := map[int]int64{len(text): a.Lines}
	for _, l := range []Line{
		{Verb: VerbGood, Span: disk.Span{Start: 3, Count: 100}, Digest: Digest{7}},
		{Verb: VerbMissing, Span: disk.Span{Start: 103, Count: 1}, Fault: image.BadSector},
		{Verb: VerbTight, Span: disk.Span{Start: 104, Count: 1}, Fault: Near},
		{Verb: VerbFrom, Numbers: []int64{1}, Texts: []string{"first \"half\"\n"}},
		{Verb: VerbAnswered},
	} {
		back, err := Parse(l.Text())
		if err != nil || back.Text() != l.Text() {
			t.Errorf("%q is read as %q, %v", l.Text(), back.Text(), err)
		}
		text = append(text, a.Line(&l)...)
		whole[len(text)] = a.Lines
	}
	lines := int64(0)
	for cut := range len(text) + 1 {
		if n, ok := whole[cut]; ok {
			lines = n
		}
		if cut < len(new(Appender).Words()) {
			continue
		}
		s := NewScanner(bytes.NewReader(text[:cut]))
		var err error
		for err == nil {
			_, err = s.Next()
		}
		if _, ends := whole[cut]; !errors.Is(err, io.EOF) || s.Appender().Lines != lines || s.Torn() == ends {
			t.Fatalf("cut at %d of %d: %d lines, torn %t, %v", cut, len(text), s.Appender().Lines, s.Torn(), err)
		}
	}
}

// What is not written by this package is no line of a record.
func TestTextsThatAreNoLine(t *testing.T) {
	for _, text := range []string{
		"good 0+1", "good 0+0 " + Digest{}.String(), "good 00+1 " + Digest{}.String(), "good 0+1  " + Digest{}.String(),
		"unheard 1", "about", "about  0+1", "stop Done", "sync -1", "run 1 yesterday", "weak 0+1 tired", "drive a b c fixed",
		"answered now", "unstable 0+1 1:2:3", "from 1 \"a", "#x", "#  ", "",
	} {
		if l, err := Parse(text); err == nil {
			t.Errorf("%q is taken for %+v", text, l)
		}
	}
}
