package capture

import (
	"bytes"
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"bootgraft/image/capture/record"
	"bootgraft/image/disk"
)

func written(by string) []record.Line {
	return []record.Line{
		{Verb: record.VerbRun, Numbers: []int64{1}, Time: time.Unix(1_700_000_000, 0)},
		{Verb: record.VerbWrittenBy, Texts: []string{by}},
	}
}

// The CRC of each line is chained over all before it.
func TestRecordSaysWhoWroteIt(t *testing.T) {
	text := recordOf(append(written("bootgraft v1.2.3"), written("bootgraft v1.2.4")...)...)
	rec, err := record.Read(bytes.NewReader(text))
	if err != nil || rec.Form != record.Version || !slices.Equal(rec.Programs, []string{"bootgraft v1.2.3", "bootgraft v1.2.4"}) {
		t.Fatal(rec, err)
	}
	var damaged *record.LineError
	if _, err := record.Read(bytes.NewReader(bytes.Replace(text, []byte("v1.2.3"), []byte("v1.2.5"), 1))); !errors.As(err, &damaged) {
		t.Errorf("another writer is not seen: %v", err)
	}
	if _, err := record.Read(bytes.NewReader(recordOf(written("\x1b[2J")...))); !errors.As(err, &damaged) {
		t.Errorf("a name that steers a terminal is taken: %v", err)
	}
}

// ofForm makes the opening of a record of another form.
func ofForm(n int64, lines ...record.Line) []byte {
	var a record.Appender
	out := a.Words()
	for _, l := range append([]record.Line{
		{Verb: record.VerbRecord, Numbers: []int64{n}},
		{Verb: record.VerbDisk, Numbers: []int64{20_000, 512}},
		{Verb: record.VerbDrive, Texts: []string{"EXAMPLE 20", "S 1", "ata", "fixed"}},
		{Verb: record.VerbMissingAs, Texts: []string{"pattern"}},
	}, lines...) {
		out = append(out, a.Line(&l)...)
	}
	return out
}

// A newer record is neither read nor taken for a damaged one.
func TestNewerRecordIsNamed(t *testing.T) {
	text := ofForm(record.Version+1, written("bootgraft v9")...)
	var newer *disk.NewerFormError
	if _, err := record.Read(bytes.NewReader(text)); !errors.As(err, &newer) || !strings.Contains(err.Error(), "this record is of form 3") {
		t.Errorf("%v", err)
	}
	if _, err := record.SalvageAs(bytes.NewReader(text), example); !errors.As(err, &newer) {
		t.Errorf("it is salvaged: %v", err)
	}
}

// What the version that began a record cannot read is not added to it.
func TestOlderRecordStaysReadable(t *testing.T) {
	rec, err := record.Read(bytes.NewReader(ofForm(1, written("x")[:1]...)))
	if err != nil || rec.Form != 1 {
		t.Fatal(rec, err)
	}
	if l := rec.WrittenBy("bootgraft v1.2.3"); l.Verb != record.VerbWords || !strings.Contains(l.Text(), "bootgraft v1.2.3") {
		t.Errorf("%q is added to a record of form 1", l.Text())
	}
}
