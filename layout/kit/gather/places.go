package gather

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"strings"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/pieces"
	"bootgraft/layout"
	"bootgraft/layout/table/mbr"
)

// Fields of a GPT header (EFI Specification 1.02, table 16-2).
const (
	gptSignature   = "EFI PART"
	gptMyLBAAt     = 24
	gptAlternateAt = 32
)

// places asks about a drive whose number of sectors, or the places of whose
// pieces, its own tables contradict. parts is nil where the drive was not put
// together from pieces. An error is a failed read.
func places(src image.Source, parts *pieces.Drive, s *layout.Map) ([]disk.Finding, error) {
	var need []disk.Finding
	if e := farthest(s); e != nil {
		need = append(need, disk.Refusalf(disk.TablePastEnd, e.Table,
			"entry %d of the table ends at sector %s, and the drive is said to"+
				" have %s. Either the number of sectors is wrong, or this is the head of a drive alone:"+
				" then give it with --part and the right --sectors",
			e.Index, disk.Grouped(e.End()), disk.Counted(s.Sectors, "sector")))
	}
	if b, err := knownSector(src, 1); err != nil {
		return nil, err
	} else if at := gptAlternate(b); at >= 0 && at != s.Sectors-1 {
		need = append(need, disk.Refusalf(disk.TableSaysOtherSize, 1,
			"the GUID partition table in sector 1 has its second copy in sector %s, the last one of its drive, and"+
				" here that is sector %s. Either the number of sectors is wrong, or the drive is not whole",
			disk.Grouped(at), disk.Grouped(s.Sectors-1)))
	}
	if parts == nil {
		return need, nil
	}
	more, err := piecePlaces(parts, src, s)
	return append(need, more...), err
}

// farthest returns the entry that ends last, if that is past the end of the drive.
// The entry of a protective record says nothing about the size of a drive.
func farthest(s *layout.Map) (last *layout.Entry) {
	for _, t := range s.Tables {
		for i := range t.Entries {
			e := &t.Entries[i]
			if e.End() > s.Sectors && !(t.Kind == "mbr" && strings.EqualFold(e.Type, "EE")) &&
				(last == nil || e.End() > last.End()) {
				last = e
			}
		}
	}
	return last
}

// knownSector returns a sector, nil if nobody knows it.
func knownSector(src image.Source, x disk.Sector) ([]byte, error) {
	one := disk.Span{Start: x, Count: 1}
	if x < 0 || x >= image.Sectors(src) || len(image.Unknown(src, one)) > 0 {
		return nil, nil
	}
	return image.ReadSectors(src, one)
}

// gptAlternate returns where the header in sector 1 has its second copy, or -1.
func gptAlternate(b []byte) disk.Sector {
	if !bytes.HasPrefix(b, []byte(gptSignature)) || binary.LittleEndian.Uint64(b[gptMyLBAAt:]) != 1 {
		return -1
	}
	return disk.Sector(min(binary.LittleEndian.Uint64(b[gptAlternateAt:]), 1<<62))
}

// piecePlaces asks about pieces that are not there, or lie where they say themselves
// that they do not.
func piecePlaces(p *pieces.Drive, src image.Source, s *layout.Map) (need []disk.Finding, err error) {
	for _, end := range []struct {
		x    disk.Sector
		code disk.Code
		text string
	}{
		{0, disk.HeadNotGiven, "no piece holds sector 0: the head of the drive is missing, with its table and its program." +
			" Give it with --part 0s=FILE"},
		{image.Sectors(p) - 1, disk.TailNotGiven, "no piece holds the last sector of the drive. Many devices keep " +
			"something at the end." +
			" Give it with --part end-Ns=FILE, where FILE has N sectors"},
	} {
		if len(image.Unknown(src, disk.Span{Start: end.x, Count: 1})) > 0 {
			need = append(need, disk.Refusalf(end.code, end.x, "%s", end.text))
		}
	}
	for _, q := range p.Pieces() {
		why, err := misplaced(q, s)
		if err != nil {
			return nil, err
		}
		if why != "" {
			need = append(need, disk.Refusalf(disk.PartMisplaced, q.Start,
				"%s was given for sector %s, and %s. Are two pieces swapped, or is "+
					"--sectors wrong?", q.Img.Name(), disk.Grouped(q.Start), why))
		}
	}
	return need, nil
}

// misplaced says why a piece does not belong where it was put, "" if nothing shows
// that.
func misplaced(q pieces.Piece, s *layout.Map) (why string, err error) {
	n := image.Sectors(q.Img)
	for _, i := range []disk.Sector{0, 1, n - 1} {
		b, err := knownSector(q.Img, i)
		if err != nil || len(b) == 0 {
			return "", err
		}
		if my := disk.Sector(binary.LittleEndian.Uint64(b[gptMyLBAAt:])); bytes.HasPrefix(b, []byte(gptSignature)) &&
			my != q.Start+i {
			return fmt.Sprintf(
				"the header of a GUID partition table in its sector %s says that it lies in sector %s of its drive",
				disk.Grouped(i), disk.Grouped(my)), nil
		}
	}
	if q.Start == 0 || len(s.Entries) > 0 {
		return "", nil
	}
	if t, err := mbr.Read(q.Img); err == nil && len(t.Layout().Entries) > 0 {
		return "it begins with a partition table, as sector 0 of a drive does, while sector 0 has none", nil
	}
	return "", nil
}
