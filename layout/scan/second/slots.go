package second

import (
	"encoding/binary"
	"fmt"
	"strings"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout/volume/fat"
)

// slots looks at a directory slot by slot for what our reader takes in its
// stride and the library does not.
type slots struct {
	src    image.Source
	count  int             // up to the end mark
	labels map[string]bool // folded short names of volume labels
}

// look goes through the sectors of one directory. The library reads them all,
// also those behind the end mark.
func (s *slots) look(where []disk.Span) error {
	var all disk.Sector
	for _, w := range where {
		all += w.Count
		if unknown := image.Unknown(s.src, w); len(unknown) > 0 {
			return fmt.Errorf("sector %d of the volume is not known", unknown[0].Start)
		}
	}
	if int64(all)*int64(s.src.SectorSize()) > maxDirectory {
		return fmt.Errorf("it is larger than %d bytes", maxDirectory)
	}
	for _, w := range where {
		b, err := image.ReadSectors(s.src, w)
		if err != nil {
			return err
		}
		for ; len(b) >= fat.EntrySize; b = b[fat.EntrySize:] {
			if b[0] == fat.EndMark {
				return nil
			}
			s.count++
			if err := s.slot(b[:fat.EntrySize]); err != nil {
				return err
			}
		}
	}
	return nil
}

func (s *slots) slot(b []byte) error {
	attr := b[11]
	switch {
	case b[0] == fat.FreeMark:
	case fat.Attr(attr) == fat.AttrLong:
		return longPart(b)
	case fat.Attr(attr).Long():
		return fmt.Errorf("a part of a long name with the attributes %02X, which it takes for a file", attr)
	case fat.Attr(attr)&fat.AttrLabel != 0:
		name := strings.TrimRight(string(b[:8]), " ")
		if ext := strings.TrimRight(string(b[8:11]), " "); ext != "" {
			name += "." + ext
		}
		s.labels[folded(name)] = true
	}
	return nil
}

// longPart refuses long names that the library decodes in its own way: it
// takes each unit for a character, and ends each part by itself.
func longPart(b []byte) error {
	for i, at := range fat.UnitsAt {
		switch u := binary.LittleEndian.Uint16(b[at:]); {
		case u == 0 && b[0]&fat.LastPart != 0 && i > 0:
			return nil
		case u == 0:
			return fmt.Errorf("a long name that ends before its last part")
		case u >= 0xD800 && u < 0xE000:
			return fmt.Errorf("a long name with a character beyond 16 bits, which it takes for two")
		}
	}
	return nil
}
