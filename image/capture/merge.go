package capture

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"path/filepath"

	"bootgraft/image"
	"bootgraft/image/capture/record"
	"bootgraft/image/disk"
)

// MergeOptions say how two captures become one.
type MergeOptions struct {
	Time    Timekeeper // nil means WallClock
	Program string     // as in Options

	// OtherDrive: b is of another drive of the same model; nothing is taken
	// from it outside these sectors, and that they differ is no contradiction
	// of one drive.
	OtherDrive disk.Spans
}

// Merged is what came of a merge.
type Merged struct {
	*Result
	FromA, FromB   disk.Sector // sectors taken from each
	Contradictions disk.Spans  // known in both, and different; a's are taken
}

// Merge makes one capture of two: what a knows, and what only b knows. Where
// both know a sector and differ, a's is kept, and the sector is a
// contradiction; if one of them is unstable, the stable one is taken. A sector
// is missing if it is so in one and unknown in both. The new record says from
// which capture each sector comes.
func Merge(ctx context.Context, a, b *Source, t Target, o MergeOptions) (*Merged, error) {
	if a.rec.Sectors != b.rec.Sectors || a.rec.SectorSize != b.rec.SectorSize {
		return nil, &DifferentDriveError{Why: fmt.Sprintf("one capture has %d sectors of %d bytes, the other %d of %d",
			a.rec.Sectors, a.rec.SectorSize, b.rec.Sectors, b.rec.SectorSize)}
	}
	if o.Time == nil {
		o.Time = WallClock{}
	}
	m := &merger{ctx: ctx, a: a, b: b, o: o, out: &Merged{}}
	closeFiles, err := m.begin(t)
	if err != nil {
		return nil, err
	}
	err = m.blocks()
	if err == nil {
		err = m.end()
	}
	if jerr := m.e.j.close(); err == nil {
		err = jerr
	}
	err = errors.Join(err, closeFiles())
	if err != nil {
		return nil, err
	}
	m.out.Result = m.e.result(Done)
	m.out.Findings = m.findings()
	return m.out, nil
}

type merger struct {
	ctx  context.Context
	a, b *Source
	o    MergeOptions
	e    engine // for its files, record and journal; it reads no drive
	out  *Merged
}

func (m *merger) begin(t Target) (closeFiles func() error, err error) {
	p, err := t.open()
	if err != nil {
		return nil, err
	}
	if !p.recordMade {
		return nil, errors.Join(&TargetError{t.Image, fmt.Sprintf("%s exists, and a merge makes a new capture; choose another name", t.record())}, p.undo())
	}
	m.e = engine{Options: Options{Time: m.o.Time, Program: m.o.Program}.withDefaults(), ctx: m.ctx, img: p.image, record: p.record}
	g := m.a.rec.Geometry
	if err = m.e.begin(g); err == nil {
		err = m.e.makeRoom(0, t)
	}
	if err == nil {
		err = m.e.beginRun(nil)
	}
	if err != nil {
		return nil, errors.Join(err, p.undo())
	}
	m.e.j = newJournal(p.image, p.record, g.SectorSize, m.e.rec.end)
	m.e.rec.live = true
	m.e.class = newRuns[Class](g.Sectors)
	for i, s := range []*Source{m.a, m.b} {
		m.e.note(record.Line{Verb: record.VerbFrom, Numbers: []int64{int64(i + 1)}, Texts: []string{filepath.Base(s.file.Name())}})
	}
	return p.close, nil
}

// blocks goes through the disk block by block.
func (m *merger) blocks() error {
	n := disk.Sector(blockBytes / m.a.rec.SectorSize)
	for at := disk.Sector(0); at < m.a.rec.Sectors; at += n {
		if err := m.ctx.Err(); err != nil {
			return err
		}
		if err := m.block(disk.Between(at, min(at+n, m.a.rec.Sectors))); err != nil {
			return err
		}
	}
	return nil
}

// block merges one block: it sorts its runs by what each capture knows.
func (m *merger) block(w disk.Span) error {
	var err error
	m.a.rec.states.each(w, func(s disk.Span, sa state) bool {
		m.b.rec.states.each(s, func(p disk.Span, sb state) bool {
			if len(m.o.OtherDrive) == 0 {
				err = m.pick(p, sa, sb)
				return err == nil
			}
			for _, in := range m.o.OtherDrive.Within(p) {
				err = errors.Join(err, m.pick(in, sa, sb))
			}
			for _, out := range m.o.OtherDrive.Outside(p) {
				err = errors.Join(err, m.pick(out, sa, unread))
			}
			return err == nil
		})
		return err == nil
	})
	return err
}

// pick decides for a run of which each capture has one state.
func (m *merger) pick(s disk.Span, sa, sb state) error {
	switch {
	case sa == good && sb.inImage() || sa == unstable && sb == unstable:
		if err := m.contradict(s); err != nil {
			return err
		}
		return m.take(s, m.a, 1)
	case sa == good || sa == unstable && sb != good:
		return m.take(s, m.a, 1)
	case sb.inImage():
		if sa == unstable {
			if err := m.contradict(s); err != nil {
				return err
			}
		}
		return m.take(s, m.b, 2)
	case sa == missing || sb == missing:
		for x := s.Start; x < s.End(); x++ {
			m.e.fillMissing(disk.Span{Start: x, Count: 1})
		}
		m.e.note(record.Line{Verb: record.VerbMissing, Span: s, Fault: image.BadSector})
	case sa == skipped && sb == skipped:
		m.e.note(record.Line{Verb: record.VerbSkipped, Span: s})
	}
	return nil
}

// contradict finds the sectors of s in which both captures differ.
func (m *merger) contradict(s disk.Span) error {
	x, err := image.ReadSectors(m.a, s)
	if err != nil {
		return err
	}
	y, err := image.ReadSectors(m.b, s)
	if err != nil {
		return err
	}
	n := m.a.rec.SectorSize
	for i := range int(s.Count) {
		if !bytes.Equal(x[i*n:(i+1)*n], y[i*n:(i+1)*n]) {
			m.out.Contradictions = m.out.Contradictions.Add(disk.Span{Start: s.Start + disk.Sector(i), Count: 1})
		}
	}
	return nil
}

// take copies a run from one of the captures.
func (m *merger) take(s disk.Span, from *Source, number int64) error {
	if err := m.e.j.failed(); err != nil {
		return err
	}
	buf := m.e.j.buffer()
	n := int64(m.a.rec.SectorSize)
	if err := image.ReadFull(from, buf[:int64(s.Count)*n], int64(s.Start)*n); err != nil {
		m.e.j.free <- buf
		return err
	}
	shaky := from.rec.states.spans(s, unstable)
	l := record.Line{Verb: record.VerbGood, Span: s}
	if len(shaky) > 0 { // s is of one state: all of it
		return m.takeUnstable(s, from, number, buf)
	}
	if err := m.e.rec.apply(&l); err != nil {
		return err
	}
	m.e.j.keep(l, buf, false)
	m.came(s, number)
	return nil
}

func (m *merger) takeUnstable(s disk.Span, from *Source, number int64, buf []byte) error {
	defer func() { m.e.j.free <- buf }()
	n := int64(m.a.rec.SectorSize)
	for i := range int64(s.Count) {
		x, b := s.Start+disk.Sector(i), buf[i*n:(i+1)*n]
		v := from.rec.Variants(x)
		if len(v) == 0 {
			v = []record.Variant{{Times: 1, Digest: sha256.Sum256(b)}}
		}
		m.e.j.put(x, bytes.Clone(b))
		m.e.note(record.Line{Verb: record.VerbUnstable, Span: disk.Span{Start: x, Count: 1}, Variants: v})
	}
	m.came(s, number)
	return nil
}

func (m *merger) came(s disk.Span, number int64) {
	m.e.note(record.Line{Verb: record.VerbOrigin, Span: s, Numbers: []int64{number}})
	if number == 1 {
		m.out.FromA += s.Count
	} else {
		m.out.FromB += s.Count
	}
}

func (m *merger) end() error { return m.e.settle(&stopped{Done}) }

func (m *merger) findings() []disk.Finding {
	var out []disk.Finding
	if c := m.out.Contradictions; len(c) > 0 && len(m.o.OtherDrive) == 0 {
		out = append(out, disk.Warningf(disk.CapturesContradict, c[0].Start,

			"%d sectors are known in both captures and differ, the first is %d: "+
				"those of the first capture were taken. If the drive was written to between the two, "+
				"or is not the same drive, the merged image is neither state of it",
			c.Sectors(), c[0].Start))
	}
	if len(m.o.OtherDrive) > 0 && m.out.FromB > 0 {
		out = append(out, disk.Warningf(disk.FromAnotherDrive, m.o.OtherDrive[0].Start,
			"%d sectors come from another drive of the same model: serial numbers, sizes or pairing codes in them may be those of the other unit", m.out.FromB))
	}
	return out
}

// Origins returns, for a merged capture, which sectors came from the capture
// with the given number, counted from 1 as in Record.From.
func (rec *Record) Origins(number int) disk.Spans {
	return rec.origins.spans(rec.Whole(), uint16(number))
}
