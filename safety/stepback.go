package safety

import (
	"errors"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/safety/receipt"
)

// maxDiffer is how many sectors that did not come back as written a receipt
// remembers of one run: by hand, no source. A card with more is named bad anyway.
const maxDiffer = 256

// stepBack notes in the receipt which sectors the card did not give back as
// they were written, so that the next run writes again from the first of them.
// A sector that was noted before was written again since: it is bad.
func (a *applier) stepBack(err error) error {
	differ := a.differing(err)
	if len(differ) == 0 {
		return err
	}
	var before disk.Spans
	if a.receipt != nil {
		before = a.receipt.Differ
	}
	err = withBad(err, common(differ, before))
	if e := a.out.Note(a.backLine(differ)); e != nil {
		return errors.Join(err, e)
	}
	return err
}

// backLine is the line that steps back. Data is good up to the first sector
// that differs; the tables are written again by every run.
func (a *applier) backLine(differ disk.Spans) receipt.Line {
	if a.req.Kind == receipt.Undo {
		return receipt.Line{Stage: receipt.StageUndo, Differ: differ}
	}
	if data := common(a.phase[0], differ); len(data) > 0 {
		return receipt.Line{Stage: receipt.StageData, Upto: data[0].Start, Differ: differ}
	}
	return receipt.Line{Stage: a.stage, Differ: differ}
}

// withBad says of an error which sectors it makes bad.
func withBad(err error, bad disk.Spans) error {
	if len(bad) == 0 {
		return err
	}
	var different *DifferentError
	if errors.As(err, &different) {
		different.Bad = bad
		return err
	}
	return &BadError{bad, err}
}

// differing returns the sectors that an error says the card did not give back:
// with other bytes, or not at all.
func (a *applier) differing(err error) disk.Spans {
	var out disk.Spans
	var different *DifferentError
	if errors.As(err, &different) {
		for _, d := range different.Differences {
			out = out.Add(disk.Span{Start: d.Sector, Count: 1})
		}
		return out
	}
	var failed *image.ReadError
	if !a.touched || !errors.As(err, &failed) || failed.Fault != image.BadSector || failed.Writing {
		return nil
	}
	// The error names all sectors of one transfer, of the card or of the source.
	for at := failed.Span.Start; at < min(failed.Span.End(), a.req.Disk.Sectors); at++ {
		_, err := image.ReadSectors(a.dev, disk.Span{Start: at, Count: 1})
		if image.FaultOf(err) == image.BadSector && err != nil {
			return disk.NewSpans(disk.Span{Start: at, Count: 1})
		}
	}
	return nil
}
