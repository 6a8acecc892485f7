package record

import (
	"bytes"
	"slices"
	"testing"

	"bootgraft/image/disk"
)

// TestWhatIsToldIsReadBack: what was found of the bridge is in the record, and words for
// people are none of it; nor is a text that would steer a terminal.
func TestWhatIsToldIsReadBack(t *testing.T) {
	var a Appender
	text := Opening(&a, Drive{Sectors: 1000, SectorSize: 512, MissingAs: FillPattern})
	want := []disk.Finding{
		disk.Warningf(disk.BridgeRepeats, 500, "the start is found again"),
		disk.Warningf(disk.BridgeCapacity, disk.NoSector, "shown with 1,000 sectors"),
	}
	for _, f := range want {
		l := Told(f)
		text = append(text, a.Line(&l)...)
	}
	for _, words := range []string{"Bridge check", "Bridge check: x 1 \x1b[2J", "This run was written by somebody"} {
		text = append(text, a.Line(&Line{Verb: VerbWords, Texts: []string{words}})...)
	}
	rec, err := Read(bytes.NewReader(text))
	if err != nil || rec.BridgeChecked || !slices.EqualFunc(rec.Told, want, func(a, b disk.Finding) bool {
		return a.Code == b.Code && a.Sector == b.Sector && a.Text == b.Text && a.Severity == b.Severity
	}) {
		t.Errorf("%+v, %v", rec.Told, err)
	}
	l := ToldAll()
	if rec, err = Read(bytes.NewReader(append(text, a.Line(&l)...))); err != nil || !rec.BridgeChecked {
		t.Errorf("%v", err)
	}
}
