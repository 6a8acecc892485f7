package capture

import (
	"bytes"

	"bootgraft/layout"
)

// Bounds of what counts as suspicious sameness.
const (
	sameBlocks = 8       // blocks in a row that repeat blocks before them
	maxSeen    = 1 << 18 // blocks whose digests are remembered: 256 GiB
)

// sameness watches for a drive, or a bridge before it, that answers beyond some
// address with the data of another: whole blocks that repeat earlier ones, many
// in a row, all at the same distance.
type sameness struct {
	seen     map[[8]byte]layout.Sector
	distance layout.Sector
	next     layout.Sector
	first    layout.Sector
	row      int
	found    layout.Span   // the longest row
	from     layout.Sector // how far before it the same data were
}

func (s *sameness) see(at layout.Span, d Digest, data []byte) {
	if len(data) < blockBytes || bytes.Equal(data[1:], data[:len(data)-1]) {
		return // one byte all over says nothing
	}
	if s.seen == nil {
		s.seen = map[[8]byte]layout.Sector{}
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
		s.found, s.from = layout.Between(s.first, s.next), s.distance
	}
}

func (s *sameness) findings() []layout.Finding {
	if s.found.Empty() {
		return nil
	}
	return []layout.Finding{layout.Warningf("data-repeats", s.found.Start,
		"sectors %s hold the same data as those %d sectors before them, block for block: beyond some address the drive or its bridge may answer with the data of another. Read a few of these sectors through another bridge before you trust them",
		s.found, s.from)}
}
