package capture

import (
	"bytes"

	"bootgraft/image/capture/record"
	"bootgraft/image/disk"
)

// Bounds of what counts as suspicious sameness: by hand, no source. Eight blocks are
// 8 MiB: one file may be there twice, or be one byte for a while.
const (
	sameBlocks = 8       // blocks in a row that repeat blocks before them
	maxSeen    = 1 << 18 // blocks whose digests are remembered: 256 GiB
	fillBlocks = 8       // blocks in a row of one byte inside used areas
)

// sameness watches for a drive, or a bridge before it, that answers beyond some
// address with the data of another: whole blocks that repeat earlier ones, many
// in a row, all at the same distance.
type sameness struct {
	seen     map[[8]byte]disk.Sector
	distance disk.Sector
	next     disk.Sector
	first    disk.Sector
	row      int
	found    disk.Span   // the longest row
	from     disk.Sector // how far before it the same data were

	fill      byte
	filled    disk.Span // the row of one byte that is going on
	longFill  disk.Span // the longest
	longestOf byte
}

// see takes in what was read. used tells whether somebody named the sectors:
// tables, directories, files.
func (s *sameness) see(at disk.Span, d record.Digest, data []byte, used bool) {
	if bytes.Equal(data[1:], data[:len(data)-1]) { // one byte all over repeats nothing
		if used {
			s.seeFill(at, data[0])
		}
		return
	}
	if len(data) < record.BlockBytes {
		return
	}
	if s.seen == nil {
		s.seen = map[[8]byte]disk.Sector{}
	}
	key := [8]byte(d[:8])
	before, ok := s.seen[key]
	if !ok {
		if len(s.seen) < maxSeen {
			s.seen[key] = at.Start
		}
		s.row = 0
		return
	}
	if s.row == 0 || at.Start != s.next || at.Start-before != s.distance {
		s.row, s.first, s.distance = 0, at.Start, at.Start-before
	}
	s.row, s.next = s.row+1, at.End()
	if s.row >= sameBlocks && s.next-s.first > s.found.Count {
		s.found, s.from = disk.Between(s.first, s.next), s.distance
	}
}

func (s *sameness) seeFill(at disk.Span, b byte) {
	if at.Start == s.filled.End() && b == s.fill {
		s.filled.Count += at.Count
	} else {
		s.filled, s.fill = at, b
	}
	if s.filled.Count > s.longFill.Count {
		s.longFill, s.longestOf = s.filled, s.fill
	}
}

func (s *sameness) findings(block disk.Sector) []disk.Finding {
	var out []disk.Finding
	if s.longFill.Count >= fillBlocks*block {
		out = append(out, disk.Warningf(disk.LongFill, s.longFill.Start,
			"sectors %s belong to files or tables and hold the byte %02X throughout: that may be silence, "+
				"or a drive that answers so where it cannot read",
			s.longFill, s.longestOf))
	}
	if s.found.Empty() {
		return out
	}
	return append(out, disk.Warningf(disk.DataRepeats, s.found.Start,
		"sectors %s hold the same data as those %d sectors before them, block for block: "+
			"beyond some address the drive or its bridge may answer with the data of another. "+
			"Read a few of these sectors through another bridge before you trust them",
		s.found, s.from))
}
