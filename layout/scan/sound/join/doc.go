// Package join puts pieces of sound in order where the disk itself says it: by numbers
// in sectors that are no sound, which name places that are.
//
//	sheets     sectors outside the sound that hold anything (sheet.go)
//	readings   each way to take their bytes as numbers (read.go):
//	           list     numbers of blocks one after the other, a song up to a mark
//	           extents  records of a first block and a count of blocks
//	           next     a table in which each block names the one that follows it
//	placing    how many sectors a block has, and where block 0 lies (place.go): what puts
//	           the blocks that are named upon the sound
//	judging    blocks are named once, lie in sound, and a piece begins where another one
//	           ends or where sound begins; what of that chance would give is counted
//	           (judge.go), over all readings and placings that were tried
//
// Nothing is joined because it sounds alike: of the sound only its borders are asked, and
// whether what lies in front of a piece is blank.
package join

import (
	"context"
	"fmt"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout/rule/candidate"
)

// Kind is how a table names pieces.
type Kind string

// The kinds.
const (
	List    Kind = "list"
	Extents Kind = "extents"
	Next    Kind = "next"
)

// Table is a run of numbers that names pieces of sound.
type Table struct {
	Kind     Kind
	At       disk.Sector // the first number that is used: its sector
	Byte     int         // and its byte in that
	Encoding candidate.Encoding
	Stride   int         // bytes from one number, or record, to the next
	Unit     disk.Sector // sectors of a block
	// OtherUnits are the sizes of a block that put the numbers upon the sound about as
	// well: the songs may be other pieces, and only listening tells.
	OtherUnits []disk.Sector
	// Runs is how many runs of sound there are, Begun how many of them begin where a piece
	// does.
	Runs, Begun int
	Base        disk.Sector // where block 0 lies; may lie before the disk, where counting begins at 1 or 2
	Pieces      int         // that it names
	ByChance    float64     // how many such tables chance alone would give on this disk
}

// kindTexts say what each kind of table is.
var kindTexts = map[Kind]string{
	List: "a list of blocks", Extents: "records of a first block and a count of blocks",
	Next: "a table in which each block names the next",
}

// Text describes the table in one line.
func (t *Table) Text() string {
	text := fmt.Sprintf("%s from sector %d, byte %d on (%s, %d bytes apart; a block has %s, block 0 is at sector %d); "+
		"by chance %.1g such tables were expected",
		kindTexts[t.Kind], t.At, t.Byte, t.Encoding, t.Stride, disk.Counted(t.Unit, "sector"), t.Base, t.ByChance)
	for _, u := range t.OtherUnits {
		text += fmt.Sprintf("; blocks of %s fit about as well", disk.Counted(u, "sector"))
	}
	if !t.Placed() {
		text += fmt.Sprintf("; where its blocks lie is not certain, for %d of %s begin with one: listen where pieces meet",
			t.Begun, disk.Counted(t.Runs, "run of sound"))
	}
	return text
}

// Placed tells whether the borders of the sound show that blocks have this size and lie
// here: some runs of sound, and most of them, begin where a piece does, and no other size
// does about as well. By hand, no source.
func (t *Table) Placed() bool {
	return len(t.OtherUnits) == 0 && t.Begun >= 3 && 2*t.Begun >= t.Runs
}

// Song is what a table says belongs together, in its order.
type Song struct {
	Pieces []disk.Span // none empty, none overlapping another
	Table  int         // of Found.Tables
	At     disk.Sector // the number that names the first piece: its sector
	Byte   int         // and its byte in that
}

// Found is what the tables of a disk say.
type Found struct {
	Tables []Table
	Songs  []Song
}

// Find looks in the given places for tables that order the sound of a disk. It reads no
// hole, and of the places at most maxSheets bytes that are not blank. An error is that of
// ctx or of a failed read.
func Find(ctx context.Context, src image.Source, sound, places disk.Spans) (*Found, error) {
	if len(sound) == 0 {
		return &Found{}, nil
	}
	sheets, err := gather(ctx, src, sound, places)
	if err != nil {
		return nil, err
	}
	f := &finder{ctx: ctx, src: src, peeked: map[disk.Sector]bool{}, n: image.Sectors(src), size: src.SectorSize(),
		sound: sound, sums: make([]disk.Sector, len(sound)+1)}
	for i, s := range sound {
		f.sums[i+1] = f.sums[i] + s.Count
	}
	for i := range sheets {
		if err := f.sheet(&sheets[i]); err != nil {
			return nil, err
		}
	}
	return f.settle(), nil
}

// finder collects what was found.
type finder struct {
	ctx    context.Context
	src    image.Source
	peeked map[disk.Sector]bool // sectors of the sound that were read: whether they are blank
	n      disk.Sector
	size   int
	sound  disk.Spans
	sums   []disk.Sector // of the first runs of sound
	trials float64       // readings and placings that were tried
	found  []reading
}

// sheet tries every reading of a sheet.
func (f *finder) sheet(s *sheet) error {
	for _, e := range encodings {
		for _, read := range []func(*sheet, *candidate.Form, disk.Sector) []reading{lists, extents, nexts} {
			form, err := candidate.FormOf(e)
			if err != nil {
				return err
			}
			for _, r := range read(s, form, f.n) {
				if err := f.ctx.Err(); err != nil {
					return err
				}
				f.place(&r)
			}
		}
	}
	return nil
}

// encodings are those that tables are read in.
var encodings = []candidate.Encoding{"le32", "be32", "le16", "be16", "be32-swap16", "le32-swap16"}
