package fat

import (
	"encoding/binary"
	"fmt"
	"slices"

	"bootgraft/image"
	"bootgraft/image/disk"
)

// Run is Count clusters that follow one another, from First.
type Run struct{ First, Count uint32 }

// End returns the first cluster after the run.
func (r Run) End() uint32 { return r.First + r.Count }

// Table is one allocation table in memory: 4 bytes a cluster.
type Table struct {
	Kind     Kind
	Copy     int
	Clusters uint32   // the last cluster is Clusters+1; those of the volume that the source has entries for
	Entries  []uint32 // by cluster number, reserved high bits included
	Unknown  []Run    // entries that no intact copy answers for, in order
	Findings []disk.Finding
	Doubts   []Doubt
}

// chunk is how much of a table is read at once. A whole FAT12 or FAT16 table
// is smaller, so that no entry is ever cut by the end of a chunk.
const chunk = 1 << 20

// ActiveTable returns the table that counts, as LoadTable reads it. It is read
// once and shared after that: nobody may change it. A read that failed is tried
// again.
func (v *Volume) ActiveTable() (*Table, error) {
	if t := v.active.Load(); t != nil {
		return t, nil
	}
	t, err := v.LoadTable(v.Active)
	if err != nil {
		return nil, err
	}
	v.active.Store(t)
	return t, nil
}

// LoadTable reads one table, counted from 0; Volume.Active is the one that
// counts. Sectors that cannot be read are taken from another copy where all
// are kept alike, with the finding fat-table-from-copy; entries that no copy
// answers for are Unknown, with the finding fat-table-missing.
//
// Memory is bounded by what the source really holds, not by the boot sector.
func (v *Volume) LoadTable(copy int) (*Table, error) {
	if copy < 0 || copy >= v.BPB.FATs {
		return nil, fmt.Errorf("the volume has no allocation table %d: it has %d, counted from 0", copy, v.BPB.FATs)
	}
	span := v.TableSpan(copy)
	held := disk.Sector(v.Kind.tableBytes(int64(v.Clusters))+int64(v.src.SectorSize())-1) / disk.Sector(v.src.SectorSize())
	span.Count = min(span.Count, held)
	inside := span.Common(image.Whole(v.src))
	if inside.Empty() {
		return nil, disk.Malformedf(v.Kind.Format(), span.Start, -1, "allocation table %d begins after the end of the source",
			copy)
	}
	have := int64(inside.Count) * int64(v.src.SectorSize()) * 8 / int64(v.Kind)
	t := &Table{Kind: v.Kind, Copy: copy, Clusters: v.Clusters, Entries: make([]uint32, min(int64(v.Clusters)+2, have))}
	l := loader{v: v, t: t, span: inside}
	l.load()
	if n := uint32(len(t.Entries)); n < v.Clusters+2 {
		t.Clusters = n - 2 // whatever lies in the clusters behind is lost with their entries
		t.Findings = append(t.Findings, disk.Warningf(disk.FATTableMissing, inside.End(),
			"the source ends inside allocation table %d; %d of its %d entries are missing",
			copy, v.Clusters+2-n, v.Clusters+2).Hiding())
	}
	t.readFlags(span.Start)
	return t, nil
}

// readFlags reads FAT[1]. A bit that is 1 means clean and free of errors.
func (t *Table) readFlags(at disk.Sector) {
	if t.Kind == FAT12 || len(t.Entries) < 2 || t.isUnknown(1) {
		return
	}
	e := t.Entries[1]
	noteDirty(&t.Findings, &t.Doubts, at, e&t.Kind.cleanBit() == 0, e&t.Kind.goodBit() == 0)
}

type loader struct {
	v    *Volume
	t    *Table
	span disk.Span

	fromCopy, missing disk.Spans
}

func (l *loader) load() {
	size := disk.Sector(l.v.src.SectorSize())
	room := make([]byte, min(l.span.Count*size, chunk))
	for at := l.span.Start; at < l.span.End(); at += chunk / size {
		part := disk.Between(at, min(at+chunk/size, l.span.End()))
		b := room[:part.Count*size]
		if err := image.ReadFull(l.v.src, b, int64(at*size)); err != nil {
			b = l.bySector(part)
		}
		l.decode(b, int64(at-l.span.Start)*int64(size))
	}
	l.report()
}

// bySector reads what can be read of a part, each sector from the copy wanted
// or else from one of the others.
func (l *loader) bySector(part disk.Span) []byte {
	size := l.v.src.SectorSize()
	out := make([]byte, 0, int64(part.Count)*int64(size))
	for x := part.Start; x < part.End(); x++ {
		b, err := image.ReadSector(l.v.src, x)
		if err != nil {
			b = l.copyOf(x)
		}
		if b == nil {
			b = make([]byte, size)
			l.missing = l.missing.Add(disk.Span{Start: x, Count: 1})
		}
		out = append(out, b...)
	}
	return out
}

func (l *loader) copyOf(x disk.Sector) []byte {
	if !l.v.Mirrored {
		return nil
	}
	rel := x - l.v.TableSpan(l.t.Copy).Start
	for i := range l.v.BPB.FATs {
		if i == l.t.Copy {
			continue
		}
		at := disk.Span{Start: l.v.TableSpan(i).Start + rel, Count: 1}
		if b, err := image.ReadSectors(l.v.src, at); err == nil {
			l.fromCopy = l.fromCopy.Add(disk.Span{Start: x, Count: 1})
			return b
		}
	}
	return nil
}

func (l *loader) decode(b []byte, off int64) {
	e := l.t.Entries
	switch l.t.Kind {
	case FAT12:
		for i := range e {
			e[i] = FAT12.Entry(b, int64(i))
		}
	case FAT16:
		for i := range e {
			e[i] = uint32(binary.LittleEndian.Uint16(b[2*i:]))
		}
	default:
		e = e[min(int64(len(e)), off/4):]
		for i := range min(len(e), len(b)/4) {
			e[i] = binary.LittleEndian.Uint32(b[4*i:])
		}
	}
}

// Entry returns entry i of a table of which b is a part. One of FAT12 may straddle
// two sectors; its table begins at byte 0 of b. FG, "FAT Data Structure".
func (k Kind) Entry(b []byte, i int64) uint32 {
	switch at := i + i/2; {
	case k == FAT16:
		return uint32(binary.LittleEndian.Uint16(b[2*i:]))
	case k == FAT32:
		return binary.LittleEndian.Uint32(b[4*i:])
	case i%2 == 0:
		return uint32(b[at]) | uint32(b[at+1]&0x0F)<<8
	default:
		return uint32(b[at]>>4) | uint32(b[at+1])<<4
	}
}

// SetEntry writes one.
func (k Kind) SetEntry(b []byte, i int64, e uint32) {
	switch at := i + i/2; {
	case k == FAT16:
		binary.LittleEndian.PutUint16(b[2*i:], uint16(e))
	case k == FAT32:
		binary.LittleEndian.PutUint32(b[4*i:], e)
	case i%2 == 0:
		b[at], b[at+1] = byte(e), b[at+1]&0xF0|byte(e>>8)&0x0F
	default:
		b[at], b[at+1] = b[at]&0x0F|byte(e<<4), byte(e>>4)
	}
}

// Encode puts entries into b as they lie in a table, the first at byte 0, and
// returns how many fit. What they do not fill stays. The entries of FAT12 come
// in pairs of 3 bytes: b is its whole table.
func (k Kind) Encode(b []byte, entries []uint32) int {
	n := min(len(entries), len(b)*8/int(k))
	for i, e := range entries[:n] {
		k.SetEntry(b, int64(i), e)
	}
	return n
}

func (l *loader) report() {
	t, size := l.t, int64(l.v.src.SectorSize())
	start := l.v.TableSpan(t.Copy).Start
	if n := l.fromCopy.Sectors(); n > 0 {
		t.Findings = append(t.Findings, disk.Warningf(disk.FATTableFromCopy, l.fromCopy[0].Start,
			"%s of allocation table %d cannot be read; another copy of the table answers for that", sectorsText(n), t.Copy))
	}
	for _, s := range l.missing {
		first := int64(s.Start-start) * size * 8 / int64(t.Kind)
		last := (int64(s.End()-start)*size*8 - 1) / int64(t.Kind)
		last = min(last, int64(len(t.Entries))-1)
		if last >= first {
			t.addUnknown(Run{uint32(first), uint32(last - first + 1)})
		}
	}
	if n := l.missing.Sectors(); n > 0 {
		t.Findings = append(t.Findings, disk.Warningf(disk.FATTableMissing, l.missing[0].Start,
			"%s of allocation table %d cannot be read, and no other copy answers for that; "+
				"files whose chains pass there are incomplete", sectorsText(n), t.Copy).Hiding())
	}
}

// addUnknown adds a run that does not begin before those already there.
func (t *Table) addUnknown(r Run) {
	if n := len(t.Unknown); n > 0 && r.First <= t.Unknown[n-1].End() {
		last := &t.Unknown[n-1]
		last.Count = max(last.End(), r.End()) - last.First
		return
	}
	t.Unknown = append(t.Unknown, r)
}

func (t *Table) isUnknown(c uint32) bool {
	if len(t.Unknown) == 0 {
		return false
	}
	i, found := slices.BinarySearchFunc(t.Unknown, c, func(r Run, c uint32) int {
		if r.End() <= c {
			return -1
		} else if r.First > c {
			return 1
		}
		return 0
	})
	return found && i < len(t.Unknown)
}

// Link says what an entry of the table is.
type Link uint8

// What an entry can be.
const (
	Next    Link = iota // names the next cluster of its chain
	End                 // the last of its chain
	Free                // belongs to nobody
	Bad                 // marked as bad
	Outside             // names a cluster that does not exist
	Unknown             // its sector cannot be read
)

// At returns what the entry of cluster c is, and the cluster it names if that
// is Next. A c that is no cluster is Outside.
func (t *Table) At(c uint32) (next uint32, link Link) {
	if c < 2 || c > t.Clusters+1 {
		return 0, Outside
	}
	if t.isUnknown(c) {
		return 0, Unknown
	}
	switch e := t.Entries[c] & t.Kind.Mask(); {
	case e == 0:
		return 0, Free
	case e >= 2 && e <= t.Clusters+1:
		return e, Next
	case e >= t.Kind.EndMin():
		return 0, End
	case e == t.Kind.Bad():
		return 0, Bad
	}
	return 0, Outside
}

// Usage counts the clusters of a table.
type Usage struct{ Used, Free, Bad, Unknown uint32 }

// Usage counts what each cluster is. An entry that names no existing cluster
// counts as used: it is not free.
func (t *Table) Usage() (u Usage) {
	for c := uint32(2); c <= t.Clusters+1; c++ {
		switch _, l := t.At(c); l {
		case Free:
			u.Free++
		case Bad:
			u.Bad++
		case Unknown:
			u.Unknown++
		default:
			u.Used++
		}
	}
	return u
}

func sectorsText(n disk.Sector) string { return disk.Counted(n, "sector") }
