package image

import (
	"context"
	"errors"
	"fmt"

	"bootgraft/image/disk"
)

// runStep is how much Runs reads at once, in bytes. Measured on a disk of today: reads of
// 4 and 8 MiB are no faster.
const runStep = 1 << 20

// Visitor is told of every sector of a run by Runs. Fields may be nil.
type Visitor struct {
	Hole    func(disk.Span)           // sectors that are not stored: they read as zeros
	Unknown func(disk.Span)           // sectors that the source does not know
	Sector  func(disk.Sector, []byte) // a sector; its bytes are used again for the next
	Moved   func(disk.Sector)         // how many sectors further the visit is
}

// Runs visits the sectors of a run once, in order. It never reads a hole, at most
// 1 MiB at once, and asks ctx before every read. A sector that the source does not
// know is no error.
func Runs(ctx context.Context, src Source, span disk.Span, v Visitor) error {
	n := int64(src.SectorSize())
	step := disk.Sector(runStep / n)
	buf := make([]byte, min(runStep, int64(max(span.Count, 0))*n))
	for at := span.Start; at < span.End(); {
		if err := ctx.Err(); err != nil {
			return err
		}
		start, end := NextData(src, int64(at)*n)
		data := disk.Between(disk.Sector(start/n), disk.Sector((end+n-1)/n)).Common(disk.Between(at, span.End()))
		if data.Empty() {
			data = disk.Span{Start: span.End()}
		}
		if data.Start > at {
			v.hole(disk.Between(at, data.Start))
		}
		for at = data.Start; at < data.End(); {
			run := disk.Span{Start: at, Count: min(step, data.End()-at)}
			if err := v.run(src, run, buf[:int64(run.Count)*n]); err != nil {
				return err
			}
			at = run.End()
			if err := ctx.Err(); err != nil {
				return err
			}
		}
	}
	return nil
}

func (v *Visitor) hole(s disk.Span) {
	if v.Hole != nil {
		v.Hole(s)
	}
	v.moved(s.Count)
}

func (v *Visitor) moved(n disk.Sector) {
	if v.Moved != nil {
		v.Moved(n)
	}
}

func (v *Visitor) unknown(s disk.Span) {
	if v.Unknown != nil {
		v.Unknown(s)
	}
}

// run reads one run of stored sectors into buf.
func (v *Visitor) run(src Source, run disk.Span, buf []byte) error {
	n := int64(src.SectorSize())
	unknown := Unknown(src, run)
	for _, u := range unknown {
		v.unknown(u)
	}
	for _, known := range unknown.Outside(run) {
		b := buf[:int64(known.Count)*n]
		if err := ReadFull(src, b, int64(known.Start)*n); err != nil {
			var u *UnknownError
			if errors.As(err, &u) {
				v.unknown(known)
				continue
			}
			return firstBad(src, known, b[:n], err)
		}
		for i := range int64(known.Count) {
			if v.Sector != nil {
				v.Sector(known.Start+disk.Sector(i), b[i*n:(i+1)*n])
			}
		}
	}
	v.moved(run.Count)
	return nil
}

// firstBad names the first sector of a run that cannot be read.
func firstBad(src Source, run disk.Span, buf []byte, cause error) error {
	for x := run.Start; x < run.End(); x++ {
		if err := ReadFull(src, buf, int64(x)*int64(len(buf))); err != nil {
			return fmt.Errorf("reading %s: %w", disk.At(x, len(buf)), err)
		}
	}
	return fmt.Errorf("reading %s: %w", run.Text(), cause)
}
