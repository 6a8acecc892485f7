package record

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"os"
	"strconv"

	"bootgraft/image"
	"bootgraft/image/disk"
)

// Damage says what of a record could not be read.
type Damage struct {
	Lines  int64      // that could not be proved, as far as they can be counted
	Offset int64      // byte of the record at which the first damaged line begins
	Mended int64      // lines with one wrong byte, which their checksum gave back
	Lost   disk.Spans // sectors that the record calls known, and the image does not prove
}

// salvager reads a damaged record. The digits of every line are a checksum of
// its text that starts from the digits of the line before: two lines side by
// side prove the second, wherever they stand. So everything before and behind a
// damaged place is proved; and where one byte is wrong, the checksum tells which.
type salvager struct {
	Take   func(*Line) bool // tells whether the line says something that can be
	seeds  []uint32         // the digits that the next line may follow; the first are those of the last proved line
	failed []byte           // the line before, if it could not be proved
	seen   map[[2]uint32]bool
	Proved int64
	Damage
}

// mostSeeds is how many digits are tried: those of a few lines that could not be
// proved may still be right. By hand, no source: each costs one pass over the rest.
const mostSeeds = 8

// salvage takes from r all lines that can be proved, in their order.
func (s *salvager) salvage(r io.Reader) error {
	s.seeds, s.seen = []uint32{0}, map[[2]uint32]bool{}
	in := bufio.NewReaderSize(r, MaxLine)
	for off := int64(0); ; {
		raw, err := in.ReadSlice('\n')
		clean := s.Lines == 0 && s.Mended == 0
		if len(raw) > 0 && !s.line(raw) {
			s.Lines++
			s.fail(raw)
		}
		if clean && (s.Lines > 0 || s.Mended > 0) {
			s.Offset = off
		}
		off += int64(len(raw))
		if err == io.EOF {
			return nil
		}
		if err != nil && err != bufio.ErrBufferFull {
			return err
		}
	}
}

// cutLine takes a line apart: what its digits say, and its text with newline.
func cutLine(raw []byte) (digits uint32, text []byte, ok bool) {
	if len(raw) < 10 || raw[8] != ' ' {
		return 0, nil, false
	}
	n, err := strconv.ParseUint(string(raw[:8]), 16, 32)
	return uint32(n), raw[9:], err == nil && !bytes.ContainsAny(raw[:8], "ABCDEF")
}

func checksum(seed uint32, text []byte) uint32 { return crc32.Update(seed, crc32.IEEETable, text) }

// line tells whether a line could be proved, or mended.
func (s *salvager) line(raw []byte) bool {
	digits, text, ok := cutLine(raw)
	if ok {
		for _, seed := range s.seeds {
			if checksum(seed, text) == digits {
				return s.accept(seed, digits, text)
			}
		}
	}
	last := s.seeds[0]
	if s.failed != nil {
		// The digits of the line before may be what is wrong with it, or a byte
		// of it that has become a newline.
		if len(s.failed) > 9 && ok {
			if mid := checksum(last, s.failed[9:]); checksum(mid, text) == digits {
				return s.mended(last, mid, s.failed[9:], 1) && s.accept(mid, digits, text)
			}
		}
		if d, t, ok := repair(last, append(bytes.Clone(s.failed), raw...)); ok {
			return s.mended(last, d, t, 1)
		}
		return false
	}
	for p := 10; p+10 <= len(raw) && ok; p++ { // or the newline between two lines was lost
		if _, _, two := cutLine(raw[p:]); two {
			if first := append(bytes.Clone(raw[9:p-1]), '\n'); checksum(last, first) == digits {
				return s.mended(last, digits, first, 0) && s.line(raw[p:])
			}
		}
	}
	if d, t, ok := repair(last, raw); ok {
		return s.mended(last, d, t, 0)
	}
	return false
}

// mended accepts a line that was put right, and takes back how many were
// counted as lost for it.
func (s *salvager) mended(seed, digits uint32, text []byte, counted int64) bool {
	s.failed = nil
	if !s.accept(seed, digits, text) {
		return false
	}
	s.Mended++
	s.Lines -= counted
	return true
}

// accept takes a proved line in. A line that was taken in before is a copy of
// it, and says nothing of what came later.
func (s *salvager) accept(seed, digits uint32, text []byte) bool {
	if key := [2]uint32{seed, digits}; s.seen[key] {
		return false
	} else {
		s.seen[key] = true
	}
	l, err := Parse(string(bytes.TrimSuffix(text, []byte("\n"))))
	if err != nil || !s.Take(&l) {
		return false
	}
	s.Proved++
	others := s.seeds[1:]
	s.seeds = append([]uint32{digits}, others[:min(len(others), mostSeeds-2)]...)
	before := s.failed
	s.failed = nil
	// Two lines may have changed places.
	if d, t, ok := cutLine(before); ok && checksum(digits, t) == d && s.accept(digits, d, t) {
		s.Lines--
	}
	return true
}

// fail remembers a line that could not be proved.
func (s *salvager) fail(raw []byte) {
	s.failed = bytes.Clone(raw)
	if digits, _, ok := cutLine(raw); ok {
		s.seeds = append([]uint32{s.seeds[0], digits}, s.seeds[1:min(len(s.seeds), mostSeeds-2)]...)
	}
}

// repair returns a line in which one byte is wrong as it was.
func repair(seed uint32, raw []byte) (digits uint32, text []byte, ok bool) {
	if len(raw) < 11 || raw[len(raw)-1] != '\n' {
		return 0, nil, false
	}
	text = raw[9:]
	sum := checksum(seed, text)
	wrong := 0
	for i, c := range fmt.Appendf(nil, "%08x ", sum) {
		if raw[i] != c {
			wrong++
		}
	}
	if wrong <= 1 && bytes.IndexByte(text, '\n') == len(text)-1 {
		return sum, text, true
	}
	digits, _, ok = cutLine(raw)
	if !ok {
		return 0, nil, false
	}
	return digits, repairText(text, sum^digits), repairText(text, sum^digits) != nil
}

// repairText finds the one byte of text that is wrong from what its checksum
// differs by: a difference in one byte makes one of 255 values of the table,
// which every byte after it turns further, and that can be turned back.
func repairText(text []byte, delta uint32) []byte {
	table := crc32.IEEETable
	var back [256]byte // the entry of the table by its highest byte
	for i := range table {
		back[table[i]>>24] = byte(i)
	}
	var found []byte
	for i := len(text) - 1; i >= 0; i-- {
		n := back[delta>>24]
		if table[n] == delta && i < len(text)-1 {
			fixed := bytes.Clone(text)
			fixed[i] ^= n
			if _, err := Parse(string(fixed[:len(fixed)-1])); err == nil && bytes.IndexByte(fixed, '\n') == len(fixed)-1 {
				if found != nil {
					return nil // it could be either
				}
				found = fixed
			}
		}
		delta = (delta^table[n])<<8 | uint32(n)
	}
	return found
}

// SalvageAs reads a damaged record. What the record does not tell any more
// of the drive is taken from hint. Nothing that it calls known may be believed
// before Prove.
func SalvageAs(r io.Reader, hint Drive) (*Record, error) {
	rec := &Record{Drive: hint, answers: map[disk.Sector][]Variant{}, salvaged: true}
	var wrong, newer error
	begun := func() bool {
		if rec.States == nil {
			if wrong = rec.Drive.Check(); wrong == nil {
				rec.room()
			}
		}
		return wrong == nil
	}
	s := &salvager{Take: func(l *Line) bool {
		if l.Verb == VerbWords && rec.States == nil {
			return true // for people; later ones say what was found of the bridge, and what is another unit's
		}
		if l.Verb == VerbRecord && newer == nil && rec.States == nil {
			newer = rec.takeForm(l.Numbers[0])
		}
		if rec.States == nil && rec.opens(l) {
			return true
		}
		return wrong == nil && begun() && rec.Apply(l) == nil
	}}
	if err := s.salvage(r); err != nil {
		return nil, err
	}
	if newer != nil {
		return nil, newer
	}
	if !begun() {
		return nil, wrong
	}
	if s.Proved < 2 {
		return nil, &LineError{Line: 1, Offset: 0, Why: "nothing in it is a line of a record"}
	}
	rec.Damage = &s.Damage
	return rec, nil
}

// opens takes in a line of the opening.
func (rec *Record) opens(l *Line) bool {
	switch l.Verb {
	case VerbRecord:
		return l.Numbers[0] == rec.Form
	case VerbDisk:
		rec.Sectors, rec.SectorSize = disk.Sector(l.Numbers[0]), int(min(l.Numbers[1], 1<<20))
		rec.sized = true
	case VerbDrive:
		rec.Identity = image.Identity{Model: l.Texts[0], Serial: l.Texts[1], Bus: l.Texts[2],
			Removable: l.Texts[3] == "removable"}
	case VerbMissingAs:
		rec.MissingAs = Fill(l.Texts[0])
	default:
		return false
	}
	return true
}

// Prove compares all of the image with what a damaged record says of it, and
// counts as unread whatever is not exactly what was read: a line that is lost
// may have said otherwise. It returns how many sectors are proved.
func (rec *Record) Prove(img io.ReaderAt) (disk.Sector, error) {
	bad, err := rec.Changed(img, func(disk.Span) bool { return true })
	if err != nil {
		return 0, err
	}
	bad = append(bad, rec.Uncovered()...)
	n := int64(rec.SectorSize)
	have, fill := make([]byte, n), make([]byte, n)
	for _, s := range rec.Missing() {
		for x := s.Start; x < s.End(); x++ {
			if rec.MissingAs == FillPattern {
				PutPattern(fill, x)
			}
			if err := image.ReadFull(img, have, int64(x)*n); err != nil {
				return 0, err
			}
			if !bytes.Equal(have, fill) {
				bad = append(bad, disk.Span{Start: x, Count: 1})
			}
		}
	}
	bad = disk.NewSpans(bad...)
	for _, s := range bad {
		rec.States.Set(s, Unread)
		rec.weak.Set(s, false)
	}
	rec.Damage.Lost = bad
	rec.Image = nil
	return rec.States.Spans(rec.Whole(), Good, Unstable).Sectors(), nil
}

// Load reads a record, whole or damaged. damaged says where it is not as it was
// written, nil that all of it is. Of a damaged one that is believed which the image
// proves, and Record.Damage says what is left out; it is a *LineError if it is no
// record at all.
func Load(f *os.File, imagePath string) (rec *Record, damaged *LineError, err error) {
	if rec, err = Read(f); errors.As(err, &damaged) {
		rec, err = salvage(f, imagePath)
	}
	return rec, damaged, err
}

// salvage reads a damaged record, and believes of it what the image proves. Where it
// does not tell the size of a sector any more, the digests do: they are those of the
// image with sectors of one size alone.
func salvage(record io.ReaderAt, imagePath string) (*Record, error) {
	var first *Record
	for _, n := range []int{512, 1024, 2048, 4096} {
		img, err := image.Open(imagePath, n)
		if err != nil {
			return nil, err
		}
		hint := Drive{Sectors: image.Sectors(img), SectorSize: n, MissingAs: FillPattern}
		rec, err := SalvageAs(io.NewSectionReader(record, 0, 1<<62), hint)
		if err != nil {
			return nil, errors.Join(err, img.Close())
		}
		var proved disk.Sector
		if err = rec.SizeFits(img.Size()); err == nil {
			proved, err = rec.Prove(img)
		}
		if err = errors.Join(err, img.Close()); err != nil {
			return nil, err
		}
		if proved > 0 || rec.sized {
			return rec, nil
		}
		if first == nil {
			first = rec
		}
	}
	return first, nil
}

// DamageFinding says that the record is damaged; kept is where it was kept, if the
// capture goes on with what could be proved.
func (rec *Record) DamageFinding(name, kept string) disk.Finding {
	at := disk.Sector(0)
	if len(rec.Damage.Lost) > 0 {
		at = rec.Damage.Lost[0].Start
	}
	text := fmt.Sprintf(
		"%s is damaged from byte %d on: %d lines could not be proved, %d lines with one wrong byte were put right.",
		name, rec.Damage.Offset, rec.Damage.Lines, rec.Damage.Mended)
	if kept != "" {
		text += fmt.Sprintf(" All that its checksums and the image prove was kept, the rest is read anew. The damaged "+
			"record lies in %s", kept)
	} else {
		text += " What its checksums and the image do not prove counts as unread. " +
			"Every command compares all of the image with it, which takes as long as reading the image, " +
			"until the same capture command puts the record right and reads these sectors again " +
			"if the drive still answers"
	}
	return disk.Warningf(disk.RecordDamaged, at, "%s. Look after the disk on which it lies", text)
}
