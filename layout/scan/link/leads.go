package link

import (
	"slices"

	"bootgraft/image"
)

// leads tells whether a place begins with a list of numbers of a kind that names
// another place. By accident that is far rarer than bestEvidence.
func (s *searcher) leads(k *kind, place int32) bool {
	if s.list[place].Kind != File {
		return false
	}
	t := &text{b: s.firstSector(place), size: s.size}
	for i := 0; i <= listBegins; i++ {
		if s.listed(k, t, i, place) {
			return true
		}
	}
	return false
}

// listed tells whether a list of numbers of a kind begins at a byte of a text, of which
// the first names a place, but not own: listRow in a row, each one more than the one
// before, or one less where these are all of what is named.
func (s *searcher) listed(k *kind, t *text, at int, own int32) bool {
	read := s.inList(k)
	if read == nil {
		return false
	}
	first, ok := read(t.four(at))
	place, names := k.unit.find(first)
	if !ok || !names || place == own {
		return false
	}
	n := 1
	for ; n < listRow && at+(n+1)*k.bytes <= min(len(t.b), t.pieceEnd(at)); n++ {
		if next, ok := read(t.four(at + n*k.bytes)); !ok || next != first+uint32(n) {
			break
		}
	}
	return n == listRow || n == listRow-1 && int64(n) == (int64(s.list[place].Count)+k.unit.Sectors-1)/k.unit.Sectors
}

// inList returns how a list has numbers of a kind, or nil: instructions stand in none.
func (s *searcher) inList(k *kind) func(four uint32) (uint32, bool) {
	if k.name == tupleForm {
		return func(four uint32) (uint32, bool) {
			at, ok := tuple([]byte{byte(four), byte(four >> 8), byte(four >> 16)}, s.heads, s.track)
			return uint32(at), ok
		}
	}
	r := slices.IndexFunc(readers[:], func(r reader) bool { return r.name == k.name })
	if r < 0 {
		return nil
	}
	return func(four uint32) (uint32, bool) { return numbersAt(four)[r], true }
}

// listRow is how many numbers in a row make a list, and listBegins the byte up to which
// one in a file may begin. By hand, no source.
const (
	listRow    = 4
	listBegins = 64
)

// firstSector returns the first sector of a place, or nothing if it is not to be had.
func (s *searcher) firstSector(place int32) []byte {
	if b, read := s.first[place]; read {
		return b
	}
	b, err := image.ReadSector(s.src, s.list[place].Start)
	if err != nil {
		b = nil // no evidence; whoever needs the sector meets the error
	}
	if s.first == nil {
		s.first = map[int32][]byte{}
	}
	s.first[place] = b
	return b
}
