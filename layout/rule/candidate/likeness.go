package candidate

import (
	"bytes"
	"hash/maphash"

	"bootgraft/image"
	"bootgraft/image/disk"
)

// Copies with bytes of their own are looked for among so many sectors in use
// at either end of the areas.
const likeEnds = 512

// pieceBytes is the length of the pieces by which such copies are recognised:
// a copy number changes one or two of them.
const pieceBytes = 64

// likePairs finds copies that differ in a copy number, and perhaps in a
// checksum over it. Sectors that an exact copy explains are left alone.
func (l *looker) likePairs(exact []pair) (out []pair, err error) {
	copied := map[disk.Sector]bool{}
	for _, p := range exact {
		copied[p.to] = true
	}
	edges, err := l.edges()
	if err != nil {
		return nil, err
	}
	pieces := map[uint64][]int{}
	room := make([]byte, l.size)
	for i, to := range edges {
		if !copied[to.at] {
			out = append(out, l.likes(edges, pieces, to, room)...)
		}
		for _, h := range informative(to.data) {
			if h != 0 && len(pieces[h]) <= maxTwins {
				pieces[h] = append(pieces[h], i)
			}
		}
	}
	return out, l.ctx.Err()
}

func (l *looker) edges() (out []nearSector, err error) {
	for i := range l.sheets {
		s := &l.sheets[i]
		if i >= likeEnds && i < len(l.sheets)-likeEnds || s.changes < minChanges || s.look == lookPattern {
			continue
		}
		b, ok, err := l.sector(s.at)
		if err != nil {
			return nil, err
		}
		if ok {
			out = append(out, nearSector{at: s.at, data: b})
		}
	}
	return out, nil
}

// informative returns a hash of each piece of a sector, 0 for such as say
// nothing.
func informative(b []byte) (out []uint64) {
	for i := 0; i+pieceBytes <= len(b); i += pieceBytes {
		p := b[i : i+pieceBytes]
		changes := 0
		for k := 1; k < len(p); k++ {
			if p[k] != p[k-1] {
				changes++
			}
		}
		h := uint64(0)
		if changes >= 6 {
			h = maphash.Bytes(seed, p)*31 + uint64(i)
		}
		out = append(out, h)
	}
	return out
}

// likes returns the earlier edges that a sector is a numbered copy of.
func (l *looker) likes(edges []nearSector, pieces map[uint64][]int, to nearSector, room []byte) (out []pair) {
	for o, order := range orders {
		copy(room, to.data)
		order.Turn(room)
		votes := map[int]int{}
		most := 0
		for _, h := range informative(room) {
			if h == 0 {
				continue
			}
			most++
			if len(pieces[h]) <= maxTwins {
				for _, i := range pieces[h] {
					votes[i]++
				}
			}
		}
		for i := range edges {
			if votes[i] == 0 || 2*votes[i] < most {
				continue
			}
			if own, ok := ownStretches(edges[i].data, to.data, order); ok {
				out = append(out, pair{edges[i].at, to.at, o, int(l.sheetAt(edges[i].at).changes), own})
			}
		}
		if len(out) > 0 {
			return out
		}
	}
	return out
}

// mostNumber is the largest copy number that is believed.
const mostNumber = 16

// ownStretches returns where sector to is not sector of turned round; ok if
// that is a copy number of one byte, and beside it at most four bytes more
// that may be a checksum over it.
func ownStretches(of, to []byte, order image.Order) (own []Stretch, ok bool) {
	turned := bytes.Clone(of)
	order.Turn(turned)
	for i := range to {
		if to[i] == turned[i] {
			continue
		}
		if n := len(own); n > 0 && i <= own[n-1].Byte+own[n-1].Count+1 {
			own[n-1].Count = i + 1 - own[n-1].Byte
			continue
		}
		if len(own) == 2 {
			return nil, false
		}
		own = append(own, Stretch{i, 1})
	}
	numbers := 0
	for _, s := range own {
		switch {
		case s.Count == 1 && to[s.Byte] <= mostNumber && turned[s.Byte] <= mostNumber:
			numbers++
		case s.Count > 4:
			return nil, false
		}
	}
	return own, numbers == 1
}
