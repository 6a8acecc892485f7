package capture

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"path/filepath"
	"slices"

	"bootgraft/image"
	"bootgraft/image/capture/record"
	"bootgraft/image/disk"
)

// MergeOptions say how two captures become one.
type MergeOptions struct {
	Time    Timekeeper // nil means wallClock
	Program string     // as in Options

	// OtherDrive: b is of another drive of the same model; nothing is taken
	// from it outside these sectors, and that they differ is no contradiction
	// of one drive.
	OtherDrive disk.Spans
	Names      []record.Mark // bytes of these sectors that name b
	NameOfB    string        // where b is no capture: what the record calls it
}

// Merged is what came of a merge.
type Merged struct {
	*Result
	FromA, FromB   disk.Sector // sectors taken from each
	Contradictions disk.Spans  // known in both, and different; a's are taken
}

// Merge makes one capture of two: what a knows, and what only b knows. Where
// both know a sector and differ, a's is kept, and the sector is a
// contradiction; if one of them is unstable, the stable one is taken. What another
// unit gave in an earlier merge gives way to what the drive itself gave. A sector
// is missing if it is so in one and unknown in both. The new record says from
// which capture each sector comes; after an error there is none. b may be any source where
// it is of another unit: then what it knows counts as read.
func Merge(ctx context.Context, a *record.Source, b image.Source, t Target, o MergeOptions) (*Merged, error) {
	if a.Record().Sectors != image.Sectors(b) || a.SectorSize() != b.SectorSize() {
		return nil, &DifferentDriveError{Why: fmt.Sprintf("one has %d sectors of %d bytes, the other %d of %d",
			a.Record().Sectors, a.SectorSize(), image.Sectors(b), b.SectorSize())}
	}
	if o.Time == nil {
		o.Time = wallClock{}
	}
	m := &merger{ctx: ctx, a: halfOf(a, ""), b: halfOf(b, o.NameOfB), o: o, out: &Merged{}}
	if err := m.ofTwoDrives(a); err != nil {
		return nil, err
	}
	p, err := m.begin(t)
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
	end := p.close
	if err != nil { // half of it would pass for a capture of which no more was read
		end = p.undo
	}
	if err = errors.Join(err, end()); err != nil {
		return nil, err
	}
	m.out.Result = m.e.result(Done)
	m.out.Classes = nil // nobody asked here which sectors are boot areas, tables or files
	m.out.Findings = m.findings()
	return m.out, nil
}

type merger struct {
	ctx  context.Context
	a, b half
	o    MergeOptions
	e    engine // for its files, record and journal; it reads no drive
	out  *Merged
}

// half is one of the two that are merged.
type half struct {
	image.Source
	name   string
	states *disk.Values[record.State]
	rec    *record.Record // nil if it is no capture

	others    disk.Spans // sectors that another unit gave in an earlier merge
	othersAre int64      // the number under which they are recorded
}

// halfOf returns a source as one half of a merge. Of what is no capture every sector that
// is known counts as read.
func halfOf(src image.Source, name string) half {
	if c, ok := src.(*record.Source); ok {
		return half{Source: src, name: filepath.Base(c.File().Name()), states: c.Record().States, rec: c.Record()}
	}
	states := disk.NewValues[record.State](image.Sectors(src))
	whole := image.Whole(src)
	for _, s := range image.Unknown(src, whole).Outside(whole) {
		states.Set(s, record.Good)
	}
	return half{Source: src, name: name, states: states}
}

// lent returns the sectors that another unit gave.
func (p half) lent() disk.Spans {
	if p.rec == nil {
		return nil
	}
	return p.rec.OfOtherUnits()
}

// variants returns the answers of an unstable sector.
func (p half) variants(x disk.Sector) []record.Variant {
	if p.rec == nil {
		return nil
	}
	return p.rec.Variants(x)
}

func (m *merger) begin(t Target) (*pair, error) {
	p, err := t.open()
	if err != nil {
		return nil, err
	}
	if !p.recordMade {
		return nil, errors.Join(&TargetError{t.Image, fmt.Sprintf("%s exists, and a merge makes a new capture; choose "+
			"another name", t.record())}, p.undo())
	}
	m.e = engine{Options: Options{Time: m.o.Time, Program: m.o.Program}.withDefaults(), ctx: m.ctx, img: p.image,
		record: p.record}
	g := m.a.rec.Drive
	if err = m.e.begin(g); err == nil {
		err = m.e.makeRoom(0, t)
	}
	if err == nil {
		err = m.e.beginRun(nil)
	}
	if err != nil {
		return nil, errors.Join(err, p.undo())
	}
	m.e.j = newJournal(p.image, p.record, g.SectorSize, m.e.rec.End)
	m.e.rec.GoLive()
	m.e.class = disk.NewValues[Class](g.Sectors)
	m.noteOrigins()
	return p, nil
}

// noteOrigins writes what is merged, and what of it is another unit's: also where that
// came in by an earlier merge.
func (m *merger) noteOrigins() {
	from := func(number int64, name string) {
		m.e.note(record.Line{Verb: record.VerbFrom, Numbers: []int64{number}, Texts: []string{name}})
	}
	from(1, m.a.name)
	from(2, m.b.name)
	names := m.o.Names
	if len(m.o.OtherDrive) > 0 {
		m.e.note(record.OtherUnit(2))
	}
	next := int64(3)
	for _, p := range []*half{&m.a, &m.b} {
		if p.rec == nil || len(p.rec.OtherUnits) == 0 {
			continue
		}
		p.others, p.othersAre = p.rec.OfOtherUnits(), next
		from(next, "another unit, in "+p.name)
		m.e.note(record.OtherUnit(int(next)))
		names = append(slices.Clip(names), p.rec.UnitNames...)
		next++
	}
	for _, name := range names {
		m.e.note(record.UnitName(name))
	}
	m.noteTold()
}

// blocks goes through the disk block by block.
func (m *merger) blocks() error {
	n := disk.Sector(record.BlockBytes / m.a.SectorSize())
	for at := disk.Sector(0); at < image.Sectors(m.a); at += n {
		if err := m.ctx.Err(); err != nil {
			return err
		}
		if err := m.block(disk.Between(at, min(at+n, image.Sectors(m.a)))); err != nil {
			return err
		}
	}
	return nil
}

// block merges one block: it sorts its runs by what each capture knows.
func (m *merger) block(w disk.Span) error {
	var err error
	m.a.states.Each(w, func(s disk.Span, sa record.State) bool {
		m.b.states.Each(s, func(p disk.Span, sb record.State) bool {
			if len(m.o.OtherDrive) == 0 {
				err = m.ofOneDrive(p, sa, sb)
				return err == nil
			}
			for _, in := range m.o.OtherDrive.Within(p) {
				err = errors.Join(err, m.pick(in, sa, sb))
			}
			for _, out := range m.o.OtherDrive.Outside(p) {
				err = errors.Join(err, m.pick(out, sa, record.Unread))
			}
			return err == nil
		})
		return err == nil
	})
	return err
}

// ofOneDrive decides for a run of two captures of one drive. Where one of them holds what
// another unit gave in an earlier merge, the drive's own sector is taken if the other one
// has it; that the two differ is no contradiction of one drive.
func (m *merger) ofOneDrive(s disk.Span, sa, sb record.State) error {
	var err error
	each := func(spans []disk.Span, sa, sb record.State) {
		for _, p := range spans {
			err = errors.Join(err, m.pick(p, sa, sb))
		}
	}
	lentA, lentB := m.a.others.Within(s), m.b.others.Within(s)
	for _, p := range m.b.others.Outside(s) {
		each(m.a.others.Outside(p), sa, sb)
		each(m.a.others.Within(p), unlessOwn(sa, sb), sb)
	}
	for _, p := range lentB {
		each(m.a.others.Outside(p), sa, unlessOwn(sb, sa))
	}
	for _, p := range lentA {
		each(m.b.others.Within(p), sa, record.Unread) // of another unit in both: a's, as ever
	}
	return err
}

// unlessOwn is the state that counts of a sector that another unit lent: none, where the
// other capture has read it from the drive itself.
func unlessOwn(lent, own record.State) record.State {
	if own.InImage() {
		return record.Unread
	}
	return lent
}

// pick decides for a run of which each capture has one state.
func (m *merger) pick(s disk.Span, sa, sb record.State) error {
	switch {
	case sa == record.Good && sb.InImage() || sa == record.Unstable && sb == record.Unstable:
		if err := m.contradict(s); err != nil {
			return err
		}
		return m.take(s, &m.a, 1)
	case sa == record.Good || sa == record.Unstable && sb != record.Good:
		return m.take(s, &m.a, 1)
	case sb.InImage():
		if sa == record.Unstable {
			if err := m.contradict(s); err != nil {
				return err
			}
		}
		return m.take(s, &m.b, 2)
	case sa == record.Missing || sb == record.Missing:
		for x := s.Start; x < s.End(); x++ {
			m.e.fillMissing(disk.Span{Start: x, Count: 1})
		}
		m.e.note(record.Line{Verb: record.VerbMissing, Span: s, Fault: image.BadSector})
	case sa == record.Hung || sb == record.Hung:
		// Whoever goes on with this capture must not meet the sector once more.
		if s.Count == 1 {
			m.e.fillMissing(s)
		}
		m.e.note(record.Line{Verb: record.VerbHung, Span: s})
	case sa == record.Skipped && (sb == record.Skipped || len(m.o.OtherDrive) > 0):
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
	n := m.a.SectorSize()
	for i := range int(s.Count) {
		if !bytes.Equal(x[i*n:(i+1)*n], y[i*n:(i+1)*n]) {
			m.out.Contradictions = m.out.Contradictions.Add(disk.Span{Start: s.Start + disk.Sector(i), Count: 1})
		}
	}
	return nil
}

// take copies a run from one of the captures.
func (m *merger) take(s disk.Span, from *half, number int64) error {
	if err := m.e.j.failed(); err != nil {
		return err
	}
	buf := m.e.j.buffer()
	n := int64(m.a.SectorSize())
	if err := image.ReadFull(from, buf[:int64(s.Count)*n], int64(s.Start)*n); err != nil {
		m.e.j.free <- buf
		return err
	}
	shaky := from.states.Spans(s, record.Unstable)
	l := record.Line{Verb: record.VerbGood, Span: s}
	if len(shaky) > 0 { // s is of one state: all of it
		return m.takeUnstable(s, from, number, buf)
	}
	if err := m.e.rec.Apply(&l); err != nil {
		return err
	}
	m.e.j.keep(l, buf, false)
	m.came(s, from, number)
	return nil
}

func (m *merger) takeUnstable(s disk.Span, from *half, number int64, buf []byte) error {
	defer func() { m.e.j.free <- buf }()
	n := int64(m.a.SectorSize())
	for i := range int64(s.Count) {
		x, b := s.Start+disk.Sector(i), buf[i*n:(i+1)*n]
		v := from.variants(x)
		if len(v) == 0 {
			v = []record.Variant{{Times: 1, Digest: sha256.Sum256(b)}}
		}
		m.e.j.put(x, bytes.Clone(b))
		m.e.note(record.Line{Verb: record.VerbUnstable, Span: disk.Span{Start: x, Count: 1}, Variants: v})
	}
	m.came(s, from, number)
	return nil
}

func (m *merger) came(s disk.Span, from *half, number int64) {
	m.e.note(record.Line{Verb: record.VerbOrigin, Span: s, Numbers: []int64{number}})
	for _, other := range from.others.Within(s) {
		m.e.note(record.Line{Verb: record.VerbOrigin, Span: other, Numbers: []int64{from.othersAre}})
	}
	if number == 1 {
		m.out.FromA += s.Count
	} else {
		m.out.FromB += s.Count
	}
}

// end puts into the record what everybody who looks at the new image has to know.
func (m *merger) end() error {
	if f := m.contradiction(); f != nil {
		m.e.note(record.Told(*f))
	}
	return m.e.settle(&stopped{Done})
}

// contradiction says where both captures differ, nil if they do not.
func (m *merger) contradiction() *disk.Finding {
	c := m.out.Contradictions
	if len(c) == 0 || len(m.o.OtherDrive) > 0 {
		return nil
	}
	f := disk.Warningf(disk.CapturesContradict, c[0].Start,
		"known in both captures and different: %s, the first is %s: "+
			"those of the first capture were taken. If the drive was written to between the two, "+
			"or is not the same drive, the merged image is neither state of it",
		disk.Counted(c.Sectors(), "sector"), disk.Grouped(c[0].Start))
	return &f
}

func (m *merger) findings() []disk.Finding {
	var out []disk.Finding
	if f := m.contradiction(); f != nil {
		out = append(out, *f)
	}
	if f := m.e.rec.UnitFinding(); f != nil {
		out = append(out, *f)
	}
	return out
}
