package gather

import (
	"bytes"
	"cmp"
	"encoding/binary"
	"slices"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout/kit"
)

// unitBytes is a run of bytes that tells the drive, wherever it stands.
type unitBytes struct{ bytes, what string }

// markPlace is where a mark begins.
type markPlace struct {
	sector disk.Sector
	offset int
}

// copies marks what tells the drive a second time: hashes alone go into the kit,
// and the hash of a sector of which four bytes are not known is found by trying
// 2^32 of them, however well they are masked elsewhere. An error is a failed read.
func (k *marks) copies() error {
	units := k.known()
	marked := map[markPlace]bool{}
	for _, m := range k.Identity {
		marked[markPlace{m.Sector, m.Offset}] = true
	}
	size := k.Src.SectorSize()
	for _, s := range k.Spans {
		if s.State != kit.Stored {
			continue
		}
		for at := s.Start; at < s.End(); {
			part := disk.Between(at, min(s.End(), at+disk.Sector(1<<20/size)))
			b, err := image.ReadSectors(k.Src, part)
			if err != nil {
				return err
			}
			for i := range part.Count {
				for _, m := range unitMarksIn(b[int(i)*size:][:size], units) {
					m.Sector = at + i
					if place := (markPlace{m.Sector, m.Offset}); !marked[place] {
						marked[place] = true
						k.Identity = append(k.Identity, m)
					}
				}
			}
			if len(k.Identity) > kit.MaxMarks {
				return nil // refused by look
			}
			at = part.End()
		}
	}
	slices.SortStableFunc(k.Identity, func(a, b kit.Mark) int {
		return cmp.Or(cmp.Compare(a.Sector, b.Sector), cmp.Compare(a.Offset, b.Offset))
	})
	return nil
}

// known returns the bytes of all marks by their first two bytes. Of one that
// has few bytes but zeros too many would be found that are something else.
func (k *marks) known() map[uint16][]unitBytes {
	known := map[uint16][]unitBytes{}
	for _, m := range k.Identity {
		b := k.stored(m.Sector)
		if b == nil || m.Count > 16 { // what lies behind the end of a file, which tells no drive
			continue
		}
		b = b[m.Offset:][:m.Count]
		t := unitBytes{string(b), "copy of the " + m.What}
		first := binary.LittleEndian.Uint16(b)
		seen := slices.ContainsFunc(known[first], func(o unitBytes) bool { return o.bytes == t.bytes })
		if len(b)-bytes.Count(b, []byte{0}) >= 3 && !seen {
			known[first] = append(known[first], t)
		}
	}
	return known
}

// unitMarksIn finds known bytes in a sector, and numbers of a boot sector or a
// partition table by where they stand in one.
func unitMarksIn(sector []byte, known map[uint16][]unitBytes) (out []kit.Mark) {
	for i := 0; len(known) > 0 && i+4 <= len(sector); i++ {
		for _, t := range known[binary.LittleEndian.Uint16(sector[i:])] {
			if bytes.HasPrefix(sector[i:], []byte(t.bytes)) {
				out = append(out, kit.Mark{Offset: i, Count: len(t.bytes), What: t.what})
			}
		}
	}
	if binary.LittleEndian.Uint16(sector[510:]) != 0xAA55 {
		return out
	}
	// FG, "Boot Sector and BPB Structure": BS_jmpBoot, then BS_BootSig before BS_VolID
	if sector[0] == 0xEB || sector[0] == 0xE9 {
		for _, sign := range []int{38, 66} {
			if b := sector[sign]; b == 0x28 || b == 0x29 {
				what := "serial number in a boot sector that no volume is known by"
				return append(out, kit.Mark{Offset: sign + 1, Count: 4, What: what})
			}
		}
	}
	return append(out, kit.Mark{Offset: 440, Count: 4, What: "disk id, if this is a master boot record"})
}
