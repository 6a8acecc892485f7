package capture

import (
	"io"

	"bootgraft/image"
	"bootgraft/image/capture/record"
	"bootgraft/image/disk"
)

// holeBytes is the smallest stretch of zeros that is not stored: chosen by hand, no
// source. Smaller holes would tear the file into extents for little room saved.
const holeBytes = 64 << 10

// store writes what was read into the image. Stretches of zeros are left as the
// holes that they are: a capture of a blank drive takes no room.
func (j *journal) store(b []byte, off int64) error {
	blankTo := firstStored(j.image, off)
	from := 0 // of what is still to be written
	for at := 0; at < len(b); {
		end := min(len(b), at+holeBytes-int((off+int64(at))%holeBytes))
		hole := end-at == holeBytes && isZero(b[at:end])
		if hole && off+int64(end) > blankTo {
			var err error
			if hole, err = isBlank(j.image, off+int64(at)); err != nil {
				return err
			}
		}
		if hole {
			if err := writePart(j.image, b[from:at], off+int64(from)); err != nil {
				return err
			}
			from = end
		}
		at = end
	}
	return writePart(j.image, b[from:], off+int64(from))
}

// roomFor returns the bytes that sectors take which are neither in the image nor
// left out as asked.
func (e *engine) roomFor(spans ...disk.Span) int64 {
	var n disk.Sector
	skip := disk.NewSpans(e.Skip...)
	for _, s := range spans {
		for _, p := range skip.Outside(s) {
			n += e.rec.States.Spans(p, record.Unread, record.Missing, record.Failed, record.Tight, record.Left, record.Suspect,
				record.Hung).Sectors()
			if !e.SkipFree { // those are wanted again
				n += e.rec.States.Spans(p, record.Skipped).Sectors()
			}
		}
	}
	return int64(n) * int64(e.rec.SectorSize)
}

// roomForFiles stops a run that leaves out what no file uses, where the rest does
// not fit.
func (e *engine) roomForFiles() error {
	need := e.roomFor(e.class.Spans(e.rec.Whole(), Boot, Tables, Directories, Samples, Files, Sound)...)
	if free := e.free(); free >= 0 && need > free {
		return &stopped{NoSpace}
	}
	return nil
}

// fillMissing puts into the image what stands for a missing sector.
func (e *engine) fillMissing(s disk.Span) {
	b := make([]byte, e.rec.SectorSize)
	if e.rec.MissingAs == record.FillPattern {
		record.PutPattern(b, s.Start)
	}
	e.j.put(s.Start, b)
}

func writePart(w io.WriterAt, b []byte, off int64) error {
	if len(b) == 0 {
		return nil
	}
	_, err := w.WriteAt(b, off)
	return err
}

// firstStored returns where the first byte from off on may be that the image stores:
// off, where nobody knows what it stores.
func firstStored(img File, off int64) int64 {
	if s, ok := img.(image.Sparse); ok {
		start, _ := s.NextData(off)
		return start
	}
	return off
}

// isBlank tells whether the image holds zeros already: a run that was cut off,
// or a fill, may have left something else.
func isBlank(img io.ReaderAt, off int64) (bool, error) {
	b := make([]byte, holeBytes)
	if err := image.ReadFull(img, b, off); err != nil {
		return false, err
	}
	return isZero(b), nil
}

func isZero(b []byte) bool {
	fill, blank := image.Blank(b)
	return blank && fill == 0
}
