package capture

import (
	"bytes"
	"fmt"
	"slices"

	"bootgraft/image"
	"bootgraft/image/capture/record"
	"bootgraft/image/disk"
)

// ofTwoDrives is an error if what tells one drive from another says that a and b are of two,
// and b was not given as another unit: its files would fill the holes of a. One that was used
// between two captures differs as well, but not in half of what is spread over all that both
// know; that, and the fewest sectors, are chosen by hand, no source.
func (m *merger) ofTwoDrives(a *record.Source) error {
	if len(m.o.OtherDrive) > 0 {
		return nil
	}
	var both disk.Spans
	for _, s := range a.Record().Read() {
		for _, own := range a.Record().OfOtherUnits().Outside(s) {
			for _, p := range m.b.states.Spans(own, record.Good) {
				both = append(both, m.b.lent().Outside(p)...)
			}
		}
	}
	prints, err := telling(a.Record(), a.File(), both, 0)
	if err != nil {
		return err
	}
	compared, differ := 0, 0
	for _, p := range prints {
		if m.b.states.Get(p.at) != record.Good {
			continue
		}
		theirs, err := image.ReadSector(m.b, p.at)
		if err != nil {
			return err
		}
		compared++
		if !bytes.Equal(theirs, p.data) {
			differ++
		}
	}
	if compared >= fewPrints && 2*differ >= compared {
		return &TwoDrivesError{m.a.name, m.b.name, compared, differ}
	}
	return nil
}

// TwoDrivesError says that two captures are not of one drive. Nothing was written.
type TwoDrivesError struct {
	A, B             string
	Compared, Differ int // sectors
}

func (e *TwoDrivesError) Error() string {
	return fmt.Sprintf("%s and %s are not of one drive: %d of %d sectors that both have read hold something else. "+
		"If they are two units of one model, say which boot sectors the second one may give: --other-drive 0+63",
		e.A, e.B, e.Differ, e.Compared)
}

// noteTold writes down what was found of the bridge while the drive was read.
func (m *merger) noteTold() {
	for _, p := range []*half{&m.a, &m.b} {
		if p.rec == nil || p == &m.b && len(m.o.OtherDrive) > 0 {
			continue
		}
		for _, f := range p.rec.Told {
			if !slices.ContainsFunc(m.e.rec.Told, func(g disk.Finding) bool { return f.Code == g.Code && f.Text == g.Text }) {
				m.e.note(record.Told(f))
			}
		}
		if p.rec.BridgeChecked && !m.e.rec.BridgeChecked {
			m.e.note(record.ToldAll())
		}
	}
}
