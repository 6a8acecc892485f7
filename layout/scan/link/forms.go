package link

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"sort"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
)

// The known forms of lists. Offsets are bytes; numbers are lowest byte first.
//
//	GRUB 2 (boot/i386/pc/boot.S and diskboot.S, include/grub/i386/pc/boot.h, of GRUB 2.06)
//	  boot sector  5C  8  sector of the first sector of the core
//	  that sector  1F4 8  sector of the next run, 2 its sectors, 2 segment; further
//	                      entries of 12 bytes lie before it; one without sectors ends them
//	GRUB legacy (stage1/stage1.h, stage2/start.S, of GRUB 0.97)
//	  boot sector  3E  2  version 03 02
//	               44  4  sector of stage 1.5 or stage 2
//	  that sector  1F8 4  sector of the next run, 2 its sectors, 2 segment; further
//	                      entries of 8 bytes lie before it
//	SYSLINUX, EXTLINUX (libinstaller/syslxint.h and syslxmod.c, of SYSLINUX 4.05 to 6.04);
//	sectors count from the start of the volume
//	  LDLINUX.SYS      FE 02 B2 3E, 4, 2 sectors, 2 ADV sectors, 4, 4, 2, 2 offset of the
//	                   extended area
//	  extended area    2 offset of two 8-byte ADV sectors, 2, 2, 2, 2, 2 offset and 2 number of
//	                   extents (8 sector, 2 length), 2 offset in the boot sector of the
//	                   sector of LDLINUX.SYS
const (
	grubSays    = "GRUB \x00Geom\x00Hard Disk\x00Read\x00 Error"
	grubFirst   = 0x5C
	grubList    = 12
	legacyFirst = 0x44
	legacyList  = 8
)

var (
	legacyVersion = []byte{0x03, 0x02} // at 3E
	patchMagic    = []byte{0xFE, 0x02, 0xB2, 0x3E}
)

// forms follows the lists of known forms, from each boot sector.
func (s *searcher) forms() error {
	sectors := []disk.Sector{0}
	for i := range s.m.Volumes {
		if x := s.m.Volumes[i].Start; x != 0 {
			sectors = append(sectors, x)
		}
	}
	for _, x := range sectors {
		b, ok, err := s.sector(x)
		if err != nil {
			return err
		}
		if ok && bytes.Contains(b, []byte(grubSays)) {
			if err := s.grub(x, b); err != nil {
				return err
			}
		}
	}
	for i := range s.syslinux {
		if err := s.patched(&s.syslinux[i]); err != nil {
			return err
		}
	}
	return nil
}

// sector reads a sector; ok is false where it is not on the disk or not known.
func (s *searcher) sector(x disk.Sector) (b []byte, ok bool, err error) {
	if !image.Whole(s.src).Holds(x) || len(image.Unknown(s.src, disk.Span{Start: x, Count: 1})) > 0 {
		return nil, false, nil
	}
	b, err = image.ReadSector(s.src, x)
	return b, err == nil && s.size == 512, err
}

func (s *searcher) holderName(x disk.Sector) string {
	if x == 0 {
		return "sector 0"
	}
	for i := range s.m.Volumes {
		if s.m.Volumes[i].Start == x {
			return "boot sectors of " + layout.VolumeName(s.m.Volumes[i].Index)
		}
	}
	return "sector " + disk.Grouped(x)
}

// grub follows GRUB of both kinds from a boot sector.
func (s *searcher) grub(x disk.Sector, b []byte) error {
	form, at, width := "GRUB 2", grubFirst, 8
	if bytes.Equal(b[0x3E:0x40], legacyVersion) {
		form, at, width = "GRUB legacy", legacyFirst, 4
	}
	first := value(b[at : at+width])
	if first == 0 {
		return nil
	}
	s.form(listed{form + " boot sector", s.holderName(x), x, at, width, first, 1, absolute, 0})
	list, ok, err := s.sector(disk.Sector(min(first, 1<<40)))
	if err != nil || !ok {
		return err
	}
	size := grubList
	if width == 4 {
		size = legacyList
	}
	holder := "what sector " + disk.Grouped(x) + " starts"
	for n := 0; ; n++ {
		in := 512 - (n+1)*size
		if in < 256 { // its own code lies there, and no entry without sectors has ended the list
			s.out.Cut = true
			break
		}
		count := int64(binary.LittleEndian.Uint16(list[in+size-4:]))
		if count == 0 {
			break
		}
		s.form(listed{form + " block list", holder, disk.Sector(first), in, size - 4, value(list[in : in+size-4]), count,
			absolute, 1})
	}
	return nil
}

func value(b []byte) uint64 {
	if len(b) == 4 {
		return uint64(binary.LittleEndian.Uint32(b))
	}
	return binary.LittleEndian.Uint64(b)
}

var absolute = Unit{Counts: FromDisk, Sectors: 1, Volume: -1}

// listed is one number of a known form.
type listed struct {
	form, holder string
	at           disk.Sector
	in, width    int
	value        uint64
	count        int64
	unit         Unit
	depth        int
}

// form keeps a number of a known form.
func (s *searcher) form(n listed) {
	encoding := "le32"
	if n.width == 8 {
		encoding = "le64"
	}
	l := Link{Holder: n.holder, At: n.at, Byte: n.in, Encoding: encoding, Width: n.width, Unit: n.unit, Value: n.value,
		Depth: n.depth, Form: n.form}
	whole := image.Whole(s.src)
	to := disk.Span{Start: -1}
	if n.value < 1<<40 {
		to = disk.Span{Start: n.unit.sector(n.value), Count: disk.Sector(n.count)}
	}
	switch {
	case to.Start < 0 || !whole.Covers(to):
		l.Lost = "it lies past the end of the disk"
		l.Target = Place{Span: to, Kind: Elsewhere, Volume: -1, Name: "a place past the end of the disk"}
	default:
		l.Target = s.placeOf(to)
		if unknown := image.Unknown(s.src, to); len(unknown) > 0 {
			l.Lost = fmt.Sprintf("the source does not know sector %s", disk.Grouped(unknown[0].Start))
		}
	}
	from := int64(n.at)*int64(s.size) + int64(n.in)
	for i := range int64(n.width) {
		s.known[from+i]++
	}
	s.keep(l)
}

// placeOf returns the place of a run of sectors.
func (s *searcher) placeOf(to disk.Span) Place {
	i := sort.Search(len(s.list), func(i int) bool { return s.list[i].Start > to.Start }) - 1
	for back := 0; i >= 0 && back < 4; i, back = i-1, back+1 {
		if p := s.list[i]; p.Holds(to.Start) {
			if p.Start != to.Start {
				p.Name = fmt.Sprintf("%s, from its sector %s on", p.Name, disk.Grouped(to.Start-p.Start))
				p.Offset += int64(to.Start-p.Start) * int64(s.size)
			}
			p.Span = to
			return p
		}
	}
	name, volume := "sectors", -1
	for _, r := range s.m.Regions {
		if r.Holds(to.Start) {
			name = r.Name
		}
	}
	for _, v := range s.m.Volumes {
		if v.Holds(to.Start) {
			volume = v.Index
		}
	}
	return Place{Span: to, Kind: Elsewhere, Name: fmt.Sprintf("%s, %s", name, to.Text()), Volume: volume}
}

// patched follows the lists of a file LDLINUX.SYS and the number in the boot sector of
// its volume.
func (s *searcher) patched(h *Holder) error {
	t, err := s.read(&work{Holder: *h, whole: true})
	if err != nil {
		return err
	}
	if want := disk.NewSpans(h.Spans...).Sectors(); len(t.b) != int(want)*s.size {
		return nil // places count from its start; what is not known of it, or too much, read has noted
	}
	b := t.b
	magic := bytes.Index(b[:min(len(b), 4096)], patchMagic)
	if magic < 0 || magic+24 > len(b) {
		return nil
	}
	word := func(i int) int {
		if i < 0 || i+2 > len(b) {
			return 0
		}
		return int(binary.LittleEndian.Uint16(b[i:]))
	}
	v := s.volumeOf(h.Spans[0].Start)
	if v < 0 {
		return nil
	}
	base := s.m.Volumes[v].Start
	unit := Unit{Counts: FromEntry, Sectors: 1, Volume: s.m.Volumes[v].Index, Base: base}
	area := word(magic + 22)
	boot, ok, err := s.sector(base)
	if err != nil || !ok || area == 0 || area+20 > len(b) {
		return err
	}
	first := word(area + 14)
	if first+4 > len(boot) || first < 3 || base+disk.Sector(binary.LittleEndian.Uint32(boot[first:])) != h.Spans[0].Start {
		return nil // another program lies in the boot sector
	}
	s.form(listed{"SYSLINUX boot sector", s.holderName(base), base, first, 4, value(boot[first : first+4]), 1, unit, 0})
	s.extents(h, t, unit, area)
	return nil
}

// extents follows the extended area of a file LDLINUX.SYS: its extents, and its two
// sectors of auxiliary data.
func (s *searcher) extents(h *Holder, t *text, unit Unit, area int) {
	b := t.b
	number := func(form string, at int, count int64) {
		x, in := t.place(at)
		s.form(listed{form, h.Name, x, in, 8, value(b[at : at+8]), count, unit, 1})
	}
	word := func(i int) int { return int(binary.LittleEndian.Uint16(b[i:])) }
	list, n := word(area+10), word(area+12)
	for i := range n {
		at := list + 10*i
		if i == maxList || at+10 > len(b) {
			s.out.Cut = true // it goes on where nobody looks
			break
		}
		if count := word(at + 8); count > 0 {
			number("SYSLINUX sector list", at, int64(count))
		}
	}
	for i := range 2 {
		at := word(area) + 8*i
		if at+8 > len(b) || at == 8*i {
			break
		}
		number("SYSLINUX auxiliary data", at, 1)
	}
}

// volumeOf returns the place in the map of the volume that holds a sector, or -1.
func (s *searcher) volumeOf(x disk.Sector) int {
	for i := range s.m.Volumes {
		if s.m.Volumes[i].Holds(x) {
			return i
		}
	}
	return -1
}
