package fat

import (
	"encoding/binary"
	"slices"
	"unicode/utf16"

	"bootgraft/image"
	"bootgraft/image/disk"
)

// progress says how the reading of a directory goes on.
type progress uint8

const (
	goOn   progress = iota
	ended           // the end mark was met
	enough          // the consumer wants no more
)

// read yields the entries of one directory and puts its directories into
// pending.
func (w *Walk) read(d *dir, yield func(*File) bool) progress {
	where := []disk.Span{w.v.RootSpan()}
	if d.first != 0 {
		where = w.claim(d)
	}
	prefix := d.path()
	if prefix != "" {
		prefix += "/"
	}
	for _, s := range where {
		if p := w.readSpan(d, prefix, s, yield); p == enough {
			return p
		} else if p == ended {
			break
		}
	}
	w.dropLong()
	return goOn
}

// claim follows the chain of a directory and cuts it at the first cluster
// that another directory owns. Its own first cluster was claimed when its
// entry was met.
func (w *Walk) claim(d *dir) []disk.Span {
	ch := w.t.follow(d.first, nil, &w.steps)
	if ch.Ends != EndsWell {
		w.stray(disk.Warningf(disk.FATDirectoryChain, d.place.Sector,
			"directory /%s: its chain %s at cluster %d; what lies behind is not listed",
			d.path(), ch.Ends, ch.At).Hiding())
	}
	n := uint32(0)
	for c := range ch.clusters() {
		if !w.dirs.set(c) && n > 0 {
			w.miss(disk.Warningf(disk.FATDirectoryShared, d.place.Sector,
				"directory /%s shares cluster %d with another directory; from there on it is not listed twice",
				d.path(), c))
			ch.truncate(n)
			break
		}
		n++
	}
	if w.onDir != nil {
		w.onDir(d, ch)
	}
	return w.v.Extents(ch.Runs)
}

func (w *Walk) readSpan(d *dir, prefix string, s disk.Span, yield func(*File) bool) progress {
	// By hand, no source: twice the largest cluster of FG, so most directories are one
	// read. A block that cannot be read whole is read again sector by sector.
	const block = 64 << 10
	size := disk.Sector(w.v.src.SectorSize())
	for at := s.Start; at < s.End(); at += block / size {
		part := disk.Between(at, min(at+block/size, s.End()))
		if p := w.readPart(d, prefix, part, yield); p != goOn {
			return p
		}
	}
	return goOn
}

// readPart reads sectors of a directory, each by itself if they cannot be
// read together.
func (w *Walk) readPart(d *dir, prefix string, part disk.Span, yield func(*File) bool) progress {
	size := int64(w.v.src.SectorSize())
	n := int(int64(part.Count) * size)
	w.buf = slices.Grow(w.buf[:0], n)[:n]
	if image.ReadFull(w.v.src, w.buf, int64(part.Start)*size) == nil {
		return w.slots(d, prefix, part.Start, w.buf, yield)
	}
	missing, p := disk.Sector(0), goOn
	for x := part.Start; x < part.End() && p == goOn; x++ {
		b := w.buf[:size]
		if image.ReadFull(w.v.src, b, int64(x)*size) != nil {
			missing++
			w.dropLong()
			continue
		}
		p = w.slots(d, prefix, x, b, yield)
	}
	if missing > 0 {
		w.miss(disk.Warningf(disk.FATDirectoryUnreadable, part.Start,
			"directory /%s: %d of its sectors within %s cannot be read; files that are named there are not listed",
			d.path(), missing, part))
	}
	return p
}

// slots takes the entries in b, which begins at sector at.
func (w *Walk) slots(d *dir, prefix string, at disk.Sector, b []byte, yield func(*File) bool) progress {
	size := w.v.src.SectorSize()
	for off := 0; off+EntrySize <= len(b); off += EntrySize {
		r := (*Raw)(b[off:])
		place := Slot{at + disk.Sector(off/size), off % size}
		switch {
		case r[0] == EndMark:
			return ended
		case r[0] == FreeMark:
			if !r.Attr().Long() {
				w.Deleted++
				if w.onDeleted != nil {
					w.onDeleted(r, place)
				}
			}
			w.dropLong()
		case r.Attr().Long():
			w.oddPart(prefix, r)
			before := w.long.parts - w.long.left
			if !w.long.add(r, place) {
				w.Orphans += before
				if !w.long.open() {
					w.Orphans++
				}
			}
		case r.Attr()&AttrLabel != 0:
			w.dropLong()
			if d.parent == nil && w.Label == "" {
				w.Label = labelText(r[:11])
			}
		case isDot(r):
			w.dropLong()
			if w.onDot != nil {
				w.onDot(d, r, place)
			}
		default:
			if !w.entry(d, prefix, r, place, yield) {
				return enough
			}
		}
	}
	return goOn
}

// oddPart looks at a part of a long name for what this reader takes in its stride and
// others do not: attributes with bits that do not count, an end before the last part,
// and characters of two units.
func (w *Walk) oddPart(prefix string, r *Raw) {
	if a := r.Attr(); a != AttrLong {
		w.odd("directory /%s: a part of a long name with the attributes %02X, which may pass for a file", prefix, byte(a))
	}
	for i, at := range UnitsAt {
		switch u := binary.LittleEndian.Uint16(r[at:]); {
		case u == 0 && (r[0]&LastPart == 0 || i == 0):
			w.odd("directory /%s: a long name that ends before its last part", prefix)
			return
		case u == 0:
			return
		case utf16.IsSurrogate(rune(u)):
			w.odd("directory /%s: a long name with a character beyond 16 bits, which may pass for two", prefix)
			return
		}
	}
}

func isDot(r *Raw) bool {
	return r.Attr()&AttrDir != 0 && (string(r[:11]) == ".          " || string(r[:11]) == "..         ")
}

// entry yields one file or directory.
func (w *Walk) entry(d *dir, prefix string, r *Raw, at Slot, yield func(*File) bool) bool {
	f := &w.file
	*f = File{Raw: *r, Place: at, Slot: at, Short: shortName(w.page, r), v: w.v, Chain: Chain{Runs: f.Chain.Runs[:0]}}
	f.Name = f.Short
	if long, ok := w.long.name(r); ok {
		f.Name, f.Long, f.Slot = long, true, w.long.first
		w.long.reset()
	}
	w.dropLong()
	if clean := cleanName(f.Name); clean != f.Name {
		w.stray(disk.Warningf(disk.FATNameIllegal, at.Sector, "the name %q in /%s cannot be a file's name; it is shown as %q",
			f.Name, prefix, clean))
		f.Name = clean
	}
	f.Short = cleanName(f.Short)
	f.Path = prefix + f.Name
	f.First = r.Cluster(w.v.Kind)
	f.Dir = r.Attr()&AttrDir != 0
	if !f.Dir {
		f.Size = r.Size()
	}
	switch {
	case f.First != 0:
		f.Chain = w.t.follow(f.First, f.Chain.Runs, &w.steps)
	case f.Dir:
		f.Chain.Ends = EndsOutside
	}
	if f.Dir {
		w.enter(d, f)
	}
	return yield(f)
}

// enter puts a directory into pending, if it can be entered and was not.
func (w *Walk) enter(parent *dir, f *File) {
	d := &dir{parent, f.Name, f.First, f.Place}
	switch {
	case f.Chain.Clusters == 0:
		w.stray(disk.Warningf(disk.FATDirectoryChain, f.Place.Sector,
			"directory /%s: its chain %s at cluster %d; nothing in it is listed",
			f.Path, f.Chain.Ends, f.Chain.At).Hiding())
	case f.First == w.v.BPB.RootCluster || w.dirs.has(f.First):
		w.miss(disk.Warningf(disk.FATDirectoryLoop, f.Place.Sector,
			"directory /%s begins at cluster %d, which belongs to another directory; it is not entered again",
			f.Path, f.First))
	case d.pathLen() > maxPath:
		w.miss(disk.Warningf(disk.FATTooDeep, f.Place.Sector,
			"directory %s lies so deep that its path is longer than %d bytes; it is not entered", f.Name, maxPath))
	default:
		w.dirs.set(f.First)
		w.pending = append(w.pending, d)
	}
}

// dropLong counts the parts of a long name that no entry claimed.
func (w *Walk) dropLong() {
	if w.long.open() {
		w.Orphans += w.long.parts - w.long.left
	}
	w.long.reset()
}
