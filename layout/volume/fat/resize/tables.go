package resize

import (
	"bytes"
	"slices"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/volume"
	"bootgraft/layout/volume/fat"
)

// chunk is how many bytes of a table are made at once. The entries of FAT12
// that mean anything fit into one. Memory for one copy and its like: by hand, no source.
const chunk = 1 << 20

// tables emits all allocation tables. Where all are kept alike the first one
// counts, and the others share the sectors that are made new for it.
func (e *emitter) tables() error {
	var made disk.Spans // card sectors of the first table
	e.mark = e.markSector()
	for i := range e.to.Tables {
		w := &tableWriter{emitter: e, index: i, made: &made, fresh: filler{job: e.job, in: e.moves.in}}
		w.like = i
		if e.v.Mirrored {
			w.like = 0
		}
		w.fresh.counts = e.v.Mirrored || i == e.v.Active
		if err := w.write(); err != nil {
			return err
		}
	}
	return nil
}

// tableWriter emits one table.
type tableWriter struct {
	*emitter
	fresh filler
	index int
	like  int         // the table whose bytes it has, but for what changes
	made  *disk.Spans // what is made new of the first table
	rooms [3][]byte   // that the bytes of a chunk lie in, used again for the next
}

// room returns n bytes of one of the rooms.
func (w *tableWriter) room(i int, n int64) []byte {
	w.rooms[i] = slices.Grow(w.rooms[i][:0], int(n))[:n]
	return w.rooms[i]
}

// part is some sectors of a table of the original, zeros where it has none.
type part struct {
	at    disk.Sector // in the original
	bytes []byte
	known []bool // by sector
}

func (w *tableWriter) write() error {
	to := w.to.Tables[w.index]
	step := chunk / disk.Sector(w.size)
	for off := disk.Sector(0); off < to.Count; off += step {
		n := min(to.Count-off, step)
		own := w.read(w.index, off, n, w.room(0, int64(n)*w.size))
		like := own
		if w.like != w.index {
			like = w.read(w.like, off, n, w.room(1, int64(n)*w.size))
		}
		b := w.room(2, int64(n)*w.size)
		copy(b, like.bytes)
		w.fresh.fill(b, int64(off)*w.size)
		w.emit(to.Start+off, off, own, like, b)
	}
	return nil
}

// read reads n sectors from sector off of a table of the original into b.
func (w *tableWriter) read(table int, off, n disk.Sector, b []byte) part {
	src, size := w.v.Source(), w.size
	old := w.from.Tables[table]
	have := disk.Between(old.Start+off, min(old.End(), old.Start+off+n, image.Sectors(src)))
	clear(b)
	p := part{at: old.Start + off, bytes: b, known: make([]bool, n)}
	all := image.ReadFull(src, p.bytes[:int64(have.Count)*size], int64(have.Start)*size) == nil
	// Where it cannot be read at once each sector counts: one that is lost must not make
	// all of a chunk new.
	for k := range have.Count {
		b := p.bytes[int64(k)*size:][:size]
		if p.known[k] = all || image.ReadFull(src, b, int64(have.Start+k)*size) == nil; !p.known[k] {
			clear(b)
		}
	}
	return p
}

// choice says where a sector of a table comes from.
type choice uint8

const (
	ownBytes choice = iota + 1
	likeBytes
	zeros
	again
	newBytes
	markBytes // all entries of it are marks of the slack
)

// emit emits the sectors from card sector at on that hold b; off is where
// they lie in the table.
func (w *tableWriter) emit(at, off disk.Sector, own, like part, b []byte) {
	n := disk.Sector(len(own.known))
	for k := disk.Sector(0); k < n; {
		c := w.choose(k, off, &own, &like, b)
		run := disk.Span{Start: at + k, Count: 1}
		for k++; k < n && w.choose(k, off, &own, &like, b) == c; k++ {
			run.Count++
		}
		w.lay(c, run, run.Start-at, off, &own, &like, b)
	}
}

// choose compares one sector with what the original has.
func (w *tableWriter) choose(k, off disk.Sector, own, like *part, b []byte) choice {
	size := w.size
	piece := func(b []byte) []byte { return b[int64(k)*size:][:size] }
	inTable := off+k < w.from.Tables[w.index].Count
	meaning := w.fresh.meaningEnds() > int64(off+k)*size
	lost := w.job.w.Empty && !own.known[k] // an emptied volume misses none of them
	switch {
	// What lies behind the last entry is nobody's, and is carried.
	case inTable && !meaning && !lost:
		return ownBytes
	case own.known[k] && bytes.Equal(piece(own.bytes), piece(b)):
		return ownBytes
	case inTable && !w.fresh.counts && !own.known[k] && !lost:
		return ownBytes
	case zero(piece(b)):
		return zeros
	case bytes.Equal(piece(b), w.mark):
		return markBytes
	case w.like == w.index:
		return newBytes
	// A plan holds the bytes of a table that is made new once, however many tables.
	case w.made.Holds(w.to.Tables[w.like].Start + off + k):
		return again
	case like.known[k] && bytes.Equal(piece(like.bytes), piece(b)):
		return likeBytes
	}
	return newBytes
}

// lay emits a run of sectors of one choice, which begins at sector k of b.
func (w *tableWriter) lay(c choice, run disk.Span, k, off disk.Sector, own, like *part, b []byte) {
	size := w.size
	why := w.why(layout.WhyVolume)
	switch c {
	case ownBytes:
		w.sink.Copy(run, own.at+k, moved(run.Start, own.at+k), layout.RankData)
	case likeBytes:
		w.sink.Copy(run, like.at+k, why, layout.RankData)
	case zeros:
		w.sink.Zero(run, why, layout.RankData)
	case again:
		first := disk.Span{Start: w.to.Tables[w.like].Start + off + k, Count: run.Count}
		w.sink.Again(run.Start, first, why, layout.RankData)
	case markBytes:
		w.layMarks(run)
	case newBytes:
		w.sink.Render(run.Start, b[int64(k)*size:][:int64(run.Count)*size], why, layout.RankData)
		w.madeNew(run)
	}
}

// madeNew notes that a run of the first table is made new: the others share it.
func (w *tableWriter) madeNew(run disk.Span) {
	if w.index == 0 {
		*w.made = w.made.Add(run)
	}
}

// repeat is how many bytes of marks are made new at most: all others are the
// same again. More of it would be larger, and less would be more pieces; by hand.
const repeat = 128 << 10

// layMarks emits sectors that are full of marks of the slack.
func (w *tableWriter) layMarks(run disk.Span) {
	w.madeNew(run)
	for !run.Empty() {
		n := min(run.Count, disk.Sector(repeat/w.size))
		if w.marked.Count < n {
			w.marked = disk.Span{Start: run.Start, Count: n}
			w.sink.Render(run.Start, bytes.Repeat(w.mark, int(n)), w.why(layout.WhyVolume), layout.RankData)
		} else {
			n = min(run.Count, w.marked.Count)
			w.sink.Again(run.Start, disk.Span{Start: w.marked.Start, Count: n}, w.why(layout.WhyVolume), layout.RankData)
		}
		run = disk.Between(run.Start+n, run.End())
	}
}

// markSector returns a sector in which every entry is a mark of the slack, or
// nothing if there are none; the whole table of FAT12 is small enough without.
func (j *job) markSector() []byte {
	if !j.marks() || j.w.Slack == volume.SlackZero || j.old.Kind == fat.FAT12 {
		return nil
	}
	b := make([]byte, j.size)
	for i := range j.size * 8 / int64(j.old.Kind) {
		j.old.Kind.SetEntry(b, i, j.old.Kind.Bad())
	}
	return b
}
