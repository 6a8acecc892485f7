package capture

import (
	"bytes"
	"crypto/sha256"
	"io"
	"sync"

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
	from := 0 // of what is still to be written
	for at := 0; at < len(b); {
		end := min(len(b), at+holeBytes-int((off+int64(at))%holeBytes))
		hole := end-at == holeBytes && allZero(b[at:end])
		if hole {
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
			n += e.rec.states.spans(p, unread, missing, failed, tight, left, suspect, hung).Sectors()
			if !e.SkipFree { // those are wanted again
				n += e.rec.states.spans(p, skipped).Sectors()
			}
		}
	}
	return int64(n) * int64(e.rec.SectorSize)
}

// roomForFiles stops a run that leaves out what no file uses, where the rest does
// not fit.
func (e *engine) roomForFiles() error {
	need := e.roomFor(e.class.spans(e.rec.Whole(), Boot, Tables, Directories, Files)...)
	if free := e.free(); free >= 0 && need > free {
		return &stopped{NoSpace}
	}
	return nil
}

func writePart(w io.WriterAt, b []byte, off int64) error {
	if len(b) == 0 {
		return nil
	}
	_, err := w.WriteAt(b, off)
	return err
}

var zeros [blockBytes]byte

var sumOfZeros = sync.OnceValue(func() record.Digest { return sha256.Sum256(zeros[:]) })

// digest is the SHA-256 of what was read at once. Of a blank block it is known.
func digest(b []byte) record.Digest {
	if len(b) == blockBytes && allZero(b) {
		return sumOfZeros()
	}
	return sha256.Sum256(b)
}

// unholed reads an image in ascending order, but not its holes.
type unholed struct {
	img  io.ReaderAt
	next int64 // where the next bytes are stored, or where these begin
	end  int64 // of them
}

// read returns the bytes at off, in b or not. They are not to be changed.
func (r *unholed) read(b []byte, off int64) ([]byte, error) {
	if s, ok := r.img.(image.Sparse); ok {
		if off >= r.end {
			r.next, r.end = s.NextData(off)
		}
		if off+int64(len(b)) <= r.next && len(b) <= len(zeros) {
			return zeros[:len(b)], nil
		}
	}
	return b, image.ReadFull(r.img, b, off)
}

func allZero(b []byte) bool { return bytes.Equal(b, zeros[:len(b)]) }

// isBlank tells whether the image holds zeros already: a run that was cut off,
// or a fill, may have left something else.
func isBlank(img io.ReaderAt, off int64) (bool, error) {
	b := make([]byte, holeBytes)
	if err := image.ReadFull(img, b, off); err != nil {
		return false, err
	}
	return allZero(b), nil
}
