package nbd

import (
	"errors"
	"slices"
	"sync"

	"bootgraft/image"
	"bootgraft/image/disk"
)

// mostRuns bounds how many runs of reads are kept in order; later ones are counted. By
// hand, no source: they take a few MiB.
const mostRuns = 1 << 18

// view is a disk as clients see it. Sectors that a plan does not touch read as
// zeros, for whatever the card holds there is not known; sectors that the source
// does not know answer with an error. Both are kept in mind, as is every read.
type view struct {
	src image.Source
	to  *scratch // nil: nothing can be written

	mu     sync.Mutex
	report Report
}

// Report is what clients did so far.
type Report struct {
	Clients int         // that came through the negotiation
	Broken  int         // of these, went without taking leave, or sent what is no request
	Reads   int64       // requests
	Writes  int64       // requests that were done
	Refused int64       // writes that were not
	Runs    []disk.Span // what was read, in order; reads side by side are one run
	More    int64       // runs beyond those that are kept
	Left    disk.Spans  // read, and not touched by the plan: zeros were given
	Unknown disk.Spans  // asked for, and not known: an error was given
	Failed  disk.Spans  // asked for, and the source could not be read
}

// newView shows a source, which cannot be written to.
func newView(src image.Source) *view { return &view{src: src} }

// newScratchView shows a source to which clients may write.
func newScratchView(s *scratch) *view { return &view{src: s, to: s} }

// Size returns the size of the disk in bytes.
func (v *view) Size() int64 { return v.src.Size() }

// Report returns what clients did so far.
func (v *view) Report() Report {
	v.mu.Lock()
	defer v.mu.Unlock()
	r := v.report
	r.Runs = slices.Clone(r.Runs) // the last one may go on growing
	return r
}

// wasRead tells whether anything was read.
func (v *view) wasRead() bool {
	v.mu.Lock()
	defer v.mu.Unlock()
	return v.report.Reads > 0
}

func (v *view) flags() uint16 {
	f := uint16(flagHasFlags | flagSendFlush | flagMultiConn)
	if v.to == nil {
		return f | flagReadOnly
	}
	return f | flagSendFUA | flagWriteZeroes
}

func (v *view) met() {
	v.mu.Lock()
	defer v.mu.Unlock()
	v.report.Clients++
}

func (v *view) broke() {
	v.mu.Lock()
	defer v.mu.Unlock()
	v.report.Broken++
}

// read fills b, and returns an error of the protocol.
func (v *view) read(b []byte, off int64) uint32 {
	v.saw(off, len(b))
	for at := 0; at < len(b); {
		n, err := v.src.ReadAt(b[at:], off+int64(at))
		at += n
		if at == len(b) {
			return 0
		}
		var unknown *image.UnknownError
		if !errors.As(err, &unknown) {
			return v.failed(off, len(b))
		}
		if unknown.State != image.Left {
			v.note(&v.report.Unknown, unknown.Span)
			return errIO
		}
		// The span is the first such run in what was asked for: up to it all is there.
		// All of it is left alone: a planned card reads each piece of its plan by itself.
		size := int64(v.src.SectorSize())
		from, to := int64(unknown.Start)*size-off, int64(unknown.End())*size-off
		if from > int64(at) {
			if err := image.ReadFull(v.src, b[at:from], off+int64(at)); err != nil {
				return v.failed(off, len(b))
			}
		}
		if to <= int64(at) { // no run of this read: never go on without going forward
			return v.failed(off, len(b))
		}
		end := min(to, int64(len(b)))
		clear(b[max(from, int64(at)):end])
		v.note(&v.report.Left, unknown.Span)
		at = int(end)
	}
	return 0
}

// write writes b, and returns an error of the protocol.
func (v *view) write(b []byte, off int64) uint32 {
	if v.to == nil {
		v.count(&v.report.Refused)
		return errPerm
	}
	if _, err := v.to.WriteAt(b, off); err != nil {
		v.count(&v.report.Refused)
		if errors.Is(err, errFull) {
			return errNoSpace
		}
		return errIO
	}
	v.count(&v.report.Writes)
	return 0
}

// zero writes n zeros, in pieces.
func (v *view) zero(off, n int64) uint32 {
	zeros := make([]byte, min(n, 1<<20))
	for end := off + n; off < end; off += int64(len(zeros)) {
		zeros = zeros[:min(end-off, int64(len(zeros)))]
		if errno := v.write(zeros, off); errno != 0 {
			return errno
		}
	}
	return 0
}

func (v *view) count(n *int64) {
	v.mu.Lock()
	defer v.mu.Unlock()
	*n++
}

// failed keeps a read in mind that the source could not answer.
func (v *view) failed(off int64, n int) uint32 {
	v.note(&v.report.Failed, v.sectors(off, n))
	return errIO
}

// sectors are those that bytes lie in.
func (v *view) sectors(off int64, n int) disk.Span {
	size := int64(v.src.SectorSize())
	return disk.Between(disk.Sector(off/size), disk.Sector((off+int64(n)+size-1)/size))
}

func (v *view) note(to *disk.Spans, s disk.Span) {
	v.mu.Lock()
	defer v.mu.Unlock()
	*to = to.Add(s)
}

// saw keeps a read in mind. One that goes on where the last ended, or lies within
// it, belongs to its run.
func (v *view) saw(off int64, n int) {
	s := v.sectors(off, n)
	v.mu.Lock()
	defer v.mu.Unlock()
	r := &v.report
	if r.Reads++; s.Empty() {
		return
	}
	if k := len(r.Runs); k > 0 && r.More == 0 {
		last := &r.Runs[k-1]
		if s.Start >= last.Start && s.Start <= last.End() {
			last.Count = max(last.End(), s.End()) - last.Start
			return
		}
	}
	if len(r.Runs) == mostRuns {
		r.More++
		return
	}
	r.Runs = append(r.Runs, s)
}
