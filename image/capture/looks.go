package capture

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"slices"

	"bootgraft/image"
	"bootgraft/image/capture/record"
	"bootgraft/image/disk"
)

// looks gives the boot areas all the looks that they still lack, and one more
// if the drive was without power since the last: what a drive answers may
// change with that.
func (e *engine) looks() error {
	for n := 2; n <= e.Looks; n++ {
		if err := e.look(n); err != nil {
			return err
		}
	}
	if e.rec.PowerOff && e.Looks > 1 {
		return e.look(e.Looks + 1)
	}
	return nil
}

// secondLook is the one in mid-run.
func (e *engine) secondLook() error {
	if e.Looks < 2 {
		return nil
	}
	return e.look(2)
}

// look reads what is known of the boot areas and tables once more, unless it
// was read n times already. What another unit lent is no answer of this drive, and
// where it lies the drive has failed before: only a retry asks there.
func (e *engine) look(n int) error {
	e.doing, e.doingNow = "looking at the boot areas again", Boot
	defer func() { e.ahead = nil }()
	for _, s := range e.own(e.runsOf([]Class{Boot, Tables}, record.Good, record.Unstable)) {
		for s = e.lacking(s, n); !s.Empty(); s = e.lacking(s, n) {
			r := e.cut(s, e.block)
			if u, ok := e.rec.Lacking(r, n); ok {
				r = u
			}
			e.ahead = func(n disk.Sector) []disk.Span { return upcoming(r.Start, []disk.Span{s}, n) }
			away, err := e.lookAt(r, n)
			if err != nil {
				return err
			}
			s = disk.Between(r.End()+away, s.End())
		}
	}
	return nil
}

// lacking returns the rest of s from the first sector on that was read fewer
// than n times.
func (e *engine) lacking(s disk.Span, n int) disk.Span {
	if u, ok := e.rec.Lacking(s, n); ok {
		return disk.Between(u.Start, s.End())
	}
	return disk.Span{}
}

// lookAt reads r again and compares. A look that fails takes nothing back of
// what is known; the neighbourhood is left as after any failure.
func (e *engine) lookAt(r disk.Span, n int) (away disk.Sector, err error) {
	if err := e.mayGoOn(); err != nil {
		return 0, err
	}
	if err := e.announce(r); err != nil {
		return 0, err
	}
	buf := e.j.buffer()
	defer func() { e.j.free <- buf }()
	took, err := e.ask(r, buf)
	var st *stopped
	switch fault := image.FaultOf(err); {
	case errors.As(err, &st):
		return 0, err
	case err != nil && fault == image.Gone && e.quiet:
		e.note(record.Line{Verb: record.VerbWeak, Span: r, Fault: fault})
		return 0, e.gone()
	case err != nil && fault == image.Gone:
		return 0, e.gone()
	case err != nil:
		if err := e.still(); err != nil {
			return 0, err
		}
		e.rec.Errors++
		e.bad++
		if err := e.probe(); err != nil {
			return 0, err
		}
		e.note(record.Line{Verb: record.VerbWeak, Span: r, Fault: fault})
		e.watch.Event(Event{Kind: EventBad, Span: r, Took: took})
		return 8 * e.block, nil
	}
	return 0, e.compare(r, buf[:int64(r.Count)*int64(e.rec.SectorSize)], n)
}

// compare holds what was read now against the image. What another unit lent gives way to it.
func (e *engine) compare(r disk.Span, now []byte, n int) error {
	size := int64(e.rec.SectorSize)
	have := make([]byte, len(now))
	if err := e.j.flush(); err != nil {
		return err
	}
	// From the image, not from memory: it is the image that somebody will use.
	if err := image.ReadFull(e.img, have, int64(r.Start)*size); err != nil {
		return err
	}
	if !bytes.Equal(have, now) && len(e.rec.States.Spans(r, record.Unstable)) == 0 {
		// Another drive in the same bridge answers otherwise as well. That is found out
		// before a sector is called unstable.
		if _, err := e.prove(); err != nil {
			return err
		}
	}
	changed, lent := false, e.rec.OfOtherUnits()
	for i := range r.Count {
		x := r.Start + i
		a, b := have[int64(i)*size:int64(i+1)*size], now[int64(i)*size:int64(i+1)*size]
		if lent.Holds(x) {
			changed = true
			e.j.put(x, bytes.Clone(b))
			e.note(record.Line{Verb: record.VerbOrigin, Span: disk.Span{Start: x, Count: 1}, Numbers: []int64{1}})
			continue
		}
		if e.rec.States.Get(x) != record.Unstable && bytes.Equal(a, b) {
			continue
		}
		changed = changed || e.rec.States.Get(x) != record.Unstable
		e.differs(x, a, b, n)
	}
	if changed {
		if err := e.rehash(r); err != nil {
			return err
		}
	}
	e.note(record.Line{Verb: record.VerbAgain, Span: r, Numbers: []int64{int64(n)}})
	return nil
}

// own returns the parts of some spans that this drive gave, and no other unit of the model.
func (e *engine) own(spans []disk.Span) (out disk.Spans) {
	lent := e.rec.OfOtherUnits()
	for _, s := range spans {
		out = append(out, lent.Outside(s)...)
	}
	return out
}

// differs adds an answer of an unstable sector. The answer that came most often
// is the one in the image; of two that came equally often, the earlier.
func (e *engine) differs(x disk.Sector, have, now []byte, n int) {
	v := slices.Clone(e.rec.Variants(x))
	if v == nil {
		v = []record.Variant{{Times: n - 1, Digest: sha256.Sum256(have), Data: bytes.Clone(have)}}
		e.watch.Event(Event{Kind: EventUnstable, Span: disk.Span{Start: x, Count: 1}})
	}
	d := record.Digest(sha256.Sum256(now))
	if i := slices.IndexFunc(v, func(w record.Variant) bool { return w.Digest == d }); i >= 0 {
		v[i].Times++
	} else if len(v) < 8 {
		// Eight answers of 4 KiB, in base64, are 44 KB: the line stays below record.MaxLine.
		v = append(v, record.Variant{Times: 1, Digest: d, Data: bytes.Clone(now)})
	}
	slices.SortStableFunc(v, func(a, b record.Variant) int { return b.Times - a.Times })
	if v[0].Data == nil {
		return // too many to keep: the image stays as it is
	}
	if v[0].Digest != sha256.Sum256(have) {
		e.j.put(x, v[0].Data)
	}
	if !e.rec.Keeps(x) {
		v = dropData(v)
	}
	e.note(record.Line{Verb: record.VerbUnstable, Span: disk.Span{Start: x, Count: 1}, Variants: v})
}

func dropData(v []record.Variant) []record.Variant {
	for i := range v {
		v[i].Data = nil
	}
	return v
}

// rehash writes new lines for the good sectors of the block around r: the
// digest of the whole read is no longer that of what the image holds.
func (e *engine) rehash(r disk.Span) error {
	if err := e.j.flush(); err != nil {
		return err
	}
	size := int64(e.rec.SectorSize)
	block := disk.Span{Start: r.Start / e.block * e.block, Count: e.block}
	for _, s := range e.rec.States.Spans(block, record.Good) {
		b := make([]byte, int64(s.Count)*size)
		if err := image.ReadFull(e.img, b, int64(s.Start)*size); err != nil {
			return err
		}
		var seen []record.Line
		e.rec.Looks.Each(s, func(p disk.Span, n uint8) bool {
			seen = append(seen, record.Line{Verb: record.VerbAgain, Span: p, Numbers: []int64{int64(n)}})
			return true
		})
		e.note(record.Line{Verb: record.VerbGood, Span: s, Digest: sha256.Sum256(b)})
		for _, l := range seen {
			e.note(l)
		}
	}
	return nil
}

// findings says what the owner should know about the whole.
func (e *engine) findings() []disk.Finding {
	var out []disk.Finding
	if u := e.rec.Unstable(); len(u) > 0 {
		out = append(out, disk.Warningf(disk.UnstableSectors, u[0].Start,
			"%s answered differently from one time to the next, the first is sector %s: "+
				"the image has the answer that came most often, the record has all of them",
			disk.Counted(u.Sectors(), "sector"), disk.Grouped(u[0].Start)))
	}
	if h := e.rec.Hung(); len(h) > 0 {
		out = append(out, disk.Warningf(disk.HungSectors, h[0].Start,
			"the drive stopped answering somewhere in sectors %s: they were not touched again and count as "+
				"unread. Trying them one by one may hang the drive once more",
			h[0]))
	}
	if f, ok := e.lastMissing(); ok {
		out = append(out, f)
	}
	return out
}
