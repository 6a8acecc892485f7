package gather

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"unicode/utf16"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/kit"
	"bootgraft/layout/scan"
	"bootgraft/layout/table/gpt"
)

// marks are bytes of a kit that tell one drive from another, which are kept,
// and those that name something, which are overwritten.
type marks struct {
	Src      image.Source
	Spans    []kit.Span
	Facts    bool // nothing is kept but hashes: numbers over marked bytes would tell them too
	Identity []kit.Mark
	Patches  []kit.Patch
	Need     []disk.Finding // what has to be accepted by its code
	failed   error          // the first read that failed: then something may stand there that nobody saw
}

// stored returns the bytes of one sector, nil if the kit does not store it.
func (k *marks) stored(x disk.Sector) []byte {
	i, found := slices.BinarySearchFunc(k.Spans, x, func(s kit.Span, x disk.Sector) int {
		switch {
		case s.End() <= x:
			return -1
		case s.Start > x:
			return 1
		}
		return 0
	})
	if !found || k.Spans[i].State != kit.Stored {
		return nil
	}
	b, err := image.ReadSector(k.Src, x)
	if err != nil {
		if k.failed == nil {
			k.failed = err
		}
		return nil
	}
	return b
}

func (k *marks) keep(x disk.Sector, offset, count int, what string) {
	if k.stored(x) != nil {
		k.Identity = append(k.Identity, kit.Mark{Sector: x, Offset: offset, Count: count, What: what})
	}
}

// find marks everything that is known to tell a drive apart or to name it. An
// error is a failed read.
func (k *marks) find(s *layout.Map) error {
	if b := k.stored(0); b != nil && s.Readable("mbr") && (k.Facts || binary.LittleEndian.Uint32(b[440:]) != 0) {
		k.keep(0, 440, 4, "disk id of the master boot record")
	}
	if s.Readable("gpt") {
		t, err := gpt.Read(k.Src)
		if err != nil {
			return err
		}
		k.gpt(t)
	}
	for i := range s.Volumes {
		if v := &s.Volumes[i]; v.Listed {
			if err := k.volume(s, v); err != nil {
				return err
			}
		}
	}
	k.names(s)
	k.unlisted(s)
	if k.Facts && k.failed == nil {
		k.failed = k.copies()
	}
	return k.failed
}

// gpt marks the identifiers in both copies of a GUID partition table (EFI
// Specification 1.02, tables 16-1 and 16-3).
func (k *marks) gpt(t *gpt.Table) {
	for _, c := range []*gpt.Copy{t.Primary, t.Backup} {
		if c == nil || !c.Valid() {
			continue
		}
		k.keep(c.At, 56, 16, "identifier of the disk in the GUID partition table")
		if k.Facts {
			k.keep(c.At, 16, 4, "CRC of the GUID partition table, which follows its identifiers")
			k.keep(c.At, 88, 4, "CRC of the entries of the GUID partition table, which follows theirs")
		}
		size := int64(c.Header.EntrySize())
		for i, e := range c.Entries() {
			if at := int64(i)*size + 16; e.Used() {
				n := int64(t.SectorSize)
				k.keep(disk.Sector(c.Header.EntryLBA())+disk.Sector(at/n), int(at%n), 16,
					fmt.Sprintf("identifier of entry %d in the GUID partition table", i+1))
				if at += 40; k.Facts {
					k.keep(disk.Sector(c.Header.EntryLBA())+disk.Sector(at/n), int(at%n), 72,
						fmt.Sprintf("name of entry %d in the GUID partition table", i+1))
				}
			}
		}
	}
}

// volume marks what tells a volume from others, and takes out what names it.
func (k *marks) volume(m *layout.Map, l *layout.Volume) error {
	v, err := scan.Open(k.Src, m, l.Index)
	if err != nil {
		return err
	}
	for _, x := range v.Marks(func(x disk.Sector) []byte { return k.stored(l.Start + x) }) {
		what := fmt.Sprintf("%s of the volume in %s", x.What, entryWords(l.Index))
		if x.Blank == nil {
			k.keep(l.Start+x.Sector, x.Offset, x.Count, what)
		} else {
			k.Patches = append(k.Patches, kit.Patch{Sector: l.Start + x.Sector, Offset: x.Offset, Bytes: x.Blank, What: what})
		}
	}
	return nil
}

// names asks about names that cannot be taken out: firmware may look for its
// partitions by them.
func (k *marks) names(s *layout.Map) {
	var names []string
	first := disk.NoSector
	for _, e := range s.Entries {
		if e.Name != "" && k.stored(e.Table) != nil {
			names = append(names, strconv.Quote(e.Name))
			if first == disk.NoSector {
				first = e.Table
			}
		}
	}
	if len(names) > 0 {
		k.Need = append(k.Need, disk.Refusalf(disk.NamesInTable, first,
			"the %s table names its entries: %s. A device may look for them by name, so they stay in the kit, "+
				"for everybody to read",
			s.Table, strings.Join(names[:min(len(names), 12)], ", ")))
	}
}

// unlisted asks about volumes that nobody reads here: their directories and files look like
// the rest of a boot area.
func (k *marks) unlisted(s *layout.Map) {
	for _, v := range s.Unlisted {
		if k.Facts || !slices.ContainsFunc(k.Spans, func(p kit.Span) bool {
			return p.State == kit.Stored && !p.Span.Common(v.Span).Empty()
		}) {
			continue
		}
		k.Need = append(k.Need, disk.Refusalf(disk.VolumeUnlisted, v.Start,
			"a %s volume begins here that no table names: its names and files go into the kit with the boot areas. "+
				"--blank %d+%d leaves all of it out", v.Kind, v.Start, v.Common(disk.Span{Count: s.Sectors}).Count))
	}
}

// labels asks about labels of volumes that stand in the boot areas elsewhere than
// in boot sectors.
func (k *marks) labels(s *layout.Map) error {
	for _, v := range s.Volumes {
		if len(v.Label) < 4 {
			continue
		}
		at, err := k.search(v.Label)
		if err != nil {
			return err
		}
		if at != disk.NoSector {
			k.Need = append(k.Need, disk.Refusalf(disk.LabelInBootArea, at,
				"the label of the volume in %s, %q, stands in sector %d too, where a program may need it: "+
					"it stays in the kit. --blank %d+1 takes the sector out",
				entryWords(v.Index), v.Label, at, at))
		}
	}
	return nil
}

// search looks for a text in the stored sectors, in ASCII and in UTF-16, outside
// the bytes that are overwritten.
func (k *marks) search(text string) (disk.Sector, error) {
	wide := []byte{}
	for _, u := range utf16.Encode([]rune(text)) {
		wide = binary.LittleEndian.AppendUint16(wide, u)
	}
	for _, s := range k.Spans {
		if s.State != kit.Stored {
			continue
		}
		size := int64(k.Src.SectorSize())
		for at := s.Start; at < s.End(); {
			part := disk.Between(at, min(s.End(), at+disk.Sector(1<<20/size)+1)) // one more, for what is cut
			b, err := image.ReadSectors(k.Src, part)
			if err != nil {
				return 0, err
			}
			for _, p := range k.Patches {
				if part.Holds(p.Sector) {
					copy(b[int64(p.Sector-part.Start)*size+int64(p.Offset):], p.Bytes)
				}
			}
			for _, want := range [][]byte{[]byte(text), wide} {
				if i := bytes.Index(b, want); i >= 0 {
					return part.Start + disk.Sector(int64(i)/size), nil
				}
			}
			at += disk.Sector(1 << 20 / size)
		}
	}
	return disk.NoSector, nil
}
