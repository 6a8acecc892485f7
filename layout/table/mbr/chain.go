package mbr

import (
	"bootgraft/image"
	"bootgraft/image/disk"
)

// Bounds of a chain.
const (
	// maxEmpty is how many links without a data record are followed
	// (Linux, block/partitions/msdos.c: 100).
	maxEmpty = 100
	// maxLinks bounds all chains of a disk together: far above what any
	// system can use, and little memory.
	maxLinks = 4096
)

// link is one extended boot record of a chain.
type link struct {
	at        disk.Sector
	sector    *Sector
	container *entry // a copy of the primary entry whose chain it is in
	prev      *link  // the record that points here; nil for the first of a chain
	prevSlot  int    // which record of prev points here
	nextSlot  int    // which record of this one points on, or -1
}

// walker follows the chains of one disk. It does what the kernel does, so
// that logical volumes have the numbers that people know, and stops only
// where no more can be said.
type walker struct {
	src   image.Source
	table *Table
	seen  map[disk.Sector]bool
	next  int // index of the next logical volume
}

func (w *walker) walk(container entry) {
	var prev *link
	slot, empty := -1, 0
	for at := container.Start; w.mayVisit(at, container, prev); {
		l := w.read(at)
		if l == nil {
			return
		}
		l.container, l.prev, l.prevSlot = &container, prev, slot
		w.table.chain = append(w.table.chain, l)
		if w.volumes(l) > 0 {
			empty = 0
		} else if empty++; empty > maxEmpty {
			w.warn(disk.EBRChainEmpty, at,
				"more than %d extended boot records in a row without a volume: "+
					"the chain is not followed beyond sector %d; look there for what it should lead to",
				maxEmpty, at)
			return
		}
		if l.nextSlot < 0 {
			return
		}
		prev, slot = l, l.nextSlot
		at = container.Start + disk.Sector(l.sector.Record(slot).Start)
	}
}

func (w *walker) warn(code disk.Code, at disk.Sector, text string, args ...any) {
	w.table.found(disk.Warningf(code, at, text, args...))
}

// mayVisit tells whether the chain may go on at sector at, and says why not.
func (w *walker) mayVisit(at disk.Sector, container entry, prev *link) bool {
	from := disk.Sector(0)
	if prev != nil {
		from = prev.at
	}
	switch {
	case w.seen[at]:
		w.warn(disk.EBRLoop, from, "the link in sector %d leads to sector %d, which was read before: the chain of logical "+
			"volumes is a loop and ends here", from, at)
	case at >= w.table.Sectors:
		w.warn(disk.EBRPastEnd, from,
			"the link in sector %d leads to sector %d, but the disk ends at sector %d: "+
				"logical volumes behind it are not known",
			from, at, w.table.Sectors)
	case !container.Holds(at):
		w.warn(disk.EBROutsideContainer, from,
			"the link in sector %d leads to sector %d, outside the extended partition %s: "+
				"the chain is not followed there",
			from, at, container.Span)
	case len(w.table.chain) >= maxLinks:
		w.warn(disk.EBRChainTooLong, from, "more than %d extended boot records: the chain is not followed beyond sector %d",
			maxLinks, from)
	default:
		if prev != nil && at < prev.at {
			w.table.found(disk.Notef(disk.EBROrder, prev.at,
				"the link in sector %d leads back to sector %d: some systems stop reading logical volumes there",
				prev.at, at))
		}
		w.seen[at] = true
		return true
	}
	return false
}

// read returns the extended boot record at a sector, or nil with a finding.
func (w *walker) read(at disk.Sector) *link {
	b, err := image.ReadSector(w.src, at)
	if err != nil {
		w.table.unread = w.table.unread.Add(disk.Span{Start: at, Count: 1})
		w.warn(disk.EBRUnreadable, at, "the extended boot record in sector %d cannot be read (%v): it and all logical "+
			"volumes after it are not known", at, err)
		return nil
	}
	s, err := parse(b, at)
	if err != nil {
		w.warn(disk.EBRNoSignature, at, "sector %d should be an extended boot record and is none (%v): logical volumes from "+
			"here on are not known", at, err)
		return nil
	}
	return &link{at: at, sector: s, nextSlot: -1}
}

// volumes adds the logical volumes of a record to the table, notes its link,
// and returns how many records count as data. Order does not matter: DR-DOS
// put the link first, and OS/2 used all four records.
func (w *walker) volumes(l *link) int {
	data := 0
	for i := range Records {
		r := l.sector.Record(i)
		switch {
		case r.Count == 0:
			w.table.checkUnused(r, l.at, i)
		case r.Extended() && l.nextSlot < 0:
			l.nextSlot = i
		case r.Extended():
			w.warn(disk.EBRSecondLink, l.at, "record %d of sector %d is a second link: only the first is followed, as "+
				"every system does", i+1, l.at)
		case i >= 2 && !l.trusted(r):
			w.table.found(disk.Notef(disk.EBRRubbish, l.at,
				"record %d of sector %d does not lie in its part of the extended partition and is taken for "+
					"rubbish, as the kernel does",
				i+1, l.at))
		default:
			data++
			w.volume(l, i, r)
		}
	}
	return data
}

func (w *walker) volume(l *link, slot int, r Record) {
	if !r.Used() {
		w.table.checkUnused(r, l.at, slot)
		return
	}
	if s := r.span(l.at); !l.container.Covers(s) {
		w.warn(disk.LogicalOutsideContainer, l.at, "logical volume %d, sectors %s, is not inside the extended partition %s",
			w.next, s, l.container.Span)
	}
	w.table.add(w.next, slot, r, l.at, l)
	w.next++
}

// trusted is the kernel's rule for the third and fourth records, which
// sometimes hold rubbish: they must lie in the run that the link before
// covers, and in the container.
func (l *link) trusted(r Record) bool {
	room := l.container.Span
	if l.prev != nil {
		room = l.prev.sector.Record(l.prevSlot).span(l.container.Start)
	}
	return disk.Sector(r.Start)+disk.Sector(r.Count) <= room.Count && l.container.Covers(r.span(l.at))
}
