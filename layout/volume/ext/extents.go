package ext

import (
	"bootgraft/image/disk"
)

// Extent trees, ifork.rst.
const (
	extentMagic   = 0xF30A
	extentHeader  = 12
	extentEntry   = 12
	maxDepth      = 5
	maxWrittenLen = 32768 // a longer ee_len is an unwritten extent
)

// extentTree reads the tree whose root is in the inode.
func (m *mapping) extentTree() error {
	area := m.ino.area()
	depth := int(le.Uint16(area[6:]))
	if depth > maxDepth {
		return m.r.v.malformed(m.ino.at, "an extent tree of %d levels", depth)
	}
	floor := uint64(0)
	return m.extentNode(area, m.ino.at, depth, &floor)
}

// extentNode reads one node. floor is the first block of the file that may
// still come: it only grows, so that no part of a tree is ever used twice.
func (m *mapping) extentNode(node []byte, at disk.Sector, depth int, floor *uint64) error {
	v := m.r.v
	count, room := int(le.Uint16(node[2:])), (len(node)-extentHeader)/extentEntry
	switch {
	case le.Uint16(node) != extentMagic:
		return v.malformed(at, "an extent node begins with %04x, not f30a", le.Uint16(node))
	case count > room || count > int(le.Uint16(node[4:])):
		return v.malformed(at, "an extent node claims %d entries", count)
	case int(le.Uint16(node[6:])) != depth:
		return v.malformed(at, "an extent node of level %d where level %d must be", le.Uint16(node[6:]), depth)
	}
	for i := range count {
		e := node[extentHeader+i*extentEntry:][:extentEntry]
		logical := uint64(le.Uint32(e))
		if logical < *floor {
			return v.malformed(at, "extent %d goes back to block %d of the file", i, logical)
		}
		if depth == 0 {
			if err := m.extentLeaf(e, at, floor); err != nil {
				return err
			}
			continue
		}
		*floor = logical
		if err := m.extentChild(e, at, depth, floor); err != nil {
			return err
		}
		*floor = max(*floor, logical+1) // also a child without entries is used up
	}
	return nil
}

// extentLeaf reads one extent.
func (m *mapping) extentLeaf(e []byte, at disk.Sector, floor *uint64) error {
	logical, count, kind := uint64(le.Uint32(e)), uint64(le.Uint16(e[4:])), Data
	block := uint64(le.Uint16(e[6:]))<<32 | uint64(le.Uint32(e[8:]))
	if count > maxWrittenLen {
		count, kind = count-maxWrittenLen, Unwritten
	}
	if count == 0 {
		return m.r.v.malformed(at, "an extent of no blocks")
	}
	if err := m.spend.spend(int64(count)); err != nil {
		return err
	}
	*floor = logical + count
	return m.add(logical, block, count, kind)
}

// extentChild reads the node that an index entry names.
func (m *mapping) extentChild(e []byte, at disk.Sector, depth int, floor *uint64) error {
	v := m.r.v
	child := uint64(le.Uint16(e[8:]))<<32 | uint64(le.Uint32(e[4:]))
	if child < v.first || child >= v.Blocks {
		return v.malformed(at, "an extent node is said to lie in block %d of %d", child, v.Blocks)
	}
	if err := m.spend.spend(1); err != nil {
		return err
	}
	b, err := m.r.read(child)
	if err != nil {
		return err
	}
	return m.extentNode(b, v.sector(child), depth-1, floor)
}
