package link

import (
	"bytes"
	"errors"
	"strings"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
)

// firstHolders puts in line where boot code lies: sector 0, what is before, between
// and behind the volumes as far as boot areas reach, and what volumes keep before
// their tables.
func (s *searcher) firstHolders() {
	s.queue = append(s.queue, work{Holder: Holder{Name: "sector 0", Spans: []disk.Span{{Count: 1}}}, volume: -1,
		code: s.sector0Code})
	for _, t := range s.m.Tables {
		if t.Kind == "mbr" {
			s.queue = append(s.queue, records(t.Own)...)
		}
	}
	limit := disk.Sector(maxHolder / s.size)
	for _, r := range s.m.Regions {
		switch r.Role {
		case layout.RoleGap, layout.RoleBootCode, layout.RoleReserved, layout.RoleUnknown:
		default:
			continue
		}
		span := disk.Between(max(1, r.Start), min(r.End(), limit))
		if r.Start >= limit || r.Content.NonBlank == 0 || span.Empty() {
			continue
		}
		s.queue = append(s.queue, work{Holder: Holder{Name: r.Name, Spans: []disk.Span{span}}, volume: -1})
	}
	for i := range s.m.Volumes {
		v := &s.m.Volumes[i]
		if v.Index == 0 {
			s.queue = s.queue[1:] // sector 0 is its boot sector
		}
		s.queue = append(s.queue, s.bootSectors(v)...)
	}
}

// records returns the records of a chain: 446 bytes before their entries may be code
// (common practice, no source).
func records(own disk.Spans) (out []work) {
	for _, span := range own {
		for x := max(1, span.Start); x < span.End(); x++ {
			out = append(out, work{
				Holder: Holder{Name: "partition record", Spans: []disk.Span{{Start: x, Count: 1}}}, volume: -1,
				code: func(disk.Sector, []byte) [][2]int { return [][2]int{{0, 446}} },
			})
		}
	}
	return out
}

// sector0Code: 440 bytes before the disk identifier (UEFI Specification 2.10, table 5.1).
func (s *searcher) sector0Code(disk.Sector, []byte) [][2]int { return [][2]int{{0, 440}} }

// bootSectors returns what a volume keeps before its tables. Its parameters are no
// code: FAT to byte 62 or 90 (FAT Specification, "Boot Sector and BPB Structure"),
// NTFS to byte 84 (from memory), exFAT to byte 120 (exFAT specification, 3.1).
func (s *searcher) bootSectors(v *layout.Volume) []work {
	from := map[string]int{"fat12": 62, "fat16": 62, "fat32": 90, "ntfs": 84, "exfat": 120}[v.Kind]
	spans := v.PartsOf(layout.PartBoot)
	if len(spans) == 0 {
		n := disk.Sector(1)
		if strings.HasPrefix(v.Kind, "ext") {
			n = 1024 / disk.Sector(s.size) // before its superblock
		}
		if n == 0 || from == 0 && !strings.HasPrefix(v.Kind, "ext") {
			return nil
		}
		spans = []disk.Span{{Start: v.Start, Count: n}}
	}
	var first []byte
	return []work{{
		Holder: Holder{Name: "boot sectors of " + layout.VolumeName(v.Index), Spans: spans}, volume: v.Index, boot: true,
		code: func(at disk.Sector, b []byte) [][2]int {
			switch {
			case at == v.Start:
				first = b
				return [][2]int{{from, len(b) - 2}}
			case from > 0 && bytes.HasPrefix(b, []byte("RRaA")): // FSInfo: numbers of the volume
				return nil
			case first != nil && from > 0 && bytes.Equal(b[11:24], first[11:24]): // a backup of the first
				return [][2]int{{from, len(b) - 2}}
			}
			return [][2]int{{0, len(b)}}
		},
	}}
}

// read reads the bytes of a holder that are code and known.
func (s *searcher) read(w *work) (*text, error) {
	t := &text{size: s.size}
	room := min(maxHolder, maxSearch-int(s.out.Searched))
	for _, span := range w.Spans {
		span = span.Common(image.Whole(s.src))
		if n := disk.Sector((room - len(t.b)) / s.size); span.Count > n {
			span.Count = n
			s.out.Cut = true
		}
		if span.Empty() {
			continue
		}
		unknown := image.Unknown(s.src, span)
		for _, u := range unknown {
			s.out.Unknown = s.out.Unknown.Add(u)
		}
		for _, known := range unknown.Outside(span) {
			b, err := image.ReadSectors(s.src, known)
			var lost *image.UnknownError
			if errors.As(err, &lost) {
				continue
			}
			if err != nil {
				return nil, err
			}
			s.take(w, t, known, b)
		}
	}
	return t, nil
}

// take takes sectors that were read, without what is blank.
func (s *searcher) take(w *work, t *text, known disk.Span, b []byte) {
	for i := range known.Count {
		x, sector := known.Start+i, b[int(i)*s.size:][:s.size]
		if _, blank := image.Blank(sector); blank && !w.whole {
			continue
		}
		code := [][2]int{{0, s.size}}
		if w.code != nil {
			code = w.code(x, sector)
		}
		for _, c := range code {
			if c[0] == 0 && len(t.b) > 0 && s.follows(t, x) {
				t.b = append(t.b, sector[c[0]:c[1]]...)
			} else {
				t.add(x, c[0], sector[c[0]:c[1]])
			}
		}
	}
}

// follows tells whether sector x goes on where the last piece ends.
func (s *searcher) follows(t *text, x disk.Sector) bool {
	k := len(t.start) - 1
	in := len(t.b) - t.start[k] + t.from[k]
	return in%s.size == 0 && t.where[k]+disk.Sector(in/s.size) == x
}
