package ext

import (
	"errors"
	"fmt"

	"bootgraft/image/disk"
)

// maxExtents bounds the runs of one file: 48 MiB of them, by hand, no source.
const maxExtents = 1 << 20

// budget bounds the work that files can cause, in blocks named. A sound
// volume names each of its blocks once.
type budget struct{ left int64 }

func (b *budget) spend(n int64) error {
	if b.left -= n; b.left < 0 {
		return errSpent
	}
	return nil
}

// errSpent is turned into a FormatError by who knows the volume.
var errSpent = errors.New("files name more blocks than the volume has")

// mapping collects where one file lies, in ascending order.
type mapping struct {
	r     *blocks
	ino   *inode
	spend budget
	end   uint64 // blocks that the size of the file needs
	next  uint64 // first block of the file not in out yet
	out   []Extent
}

// extents returns the runs of an inode, which tile its size.
func (r *blocks) extents(n *inode, b *budget) ([]Extent, error) {
	v := r.v
	switch {
	case n.size == 0:
		return nil, nil
	case n.has(flagInline):
		return r.inline(n)
	case n.is(modeSymlink) && n.size < blockAreaBytes && !n.has(flagExtents):
		// A short link is kept in the inode itself (ifork.rst).
		return []Extent{v.inInode(n, blockArea, 0, n.size)}, nil
	case !n.is(modeRegular) && !n.is(modeDir) && !n.is(modeSymlink):
		return nil, v.malformed(n.at, "inode %d is a special file of %d bytes", n.number, n.size)
	}
	limit := min(b.left, v.fileLimit())
	m := &mapping{r: r, ino: n, spend: budget{limit}, end: uint64((n.size + v.BlockSize - 1) / v.BlockSize)}
	var err error
	if n.has(flagExtents) {
		err = m.extentTree()
	} else {
		err = m.blockMap()
	}
	b.left -= limit - max(0, m.spend.left)
	if errors.Is(err, errSpent) && b.left > 0 {
		err = v.malformed(n.at, "it names more blocks than the volume has")
	}
	if err != nil {
		return nil, fmt.Errorf("inode %d: %w", n.number, err)
	}
	return m.finish(), nil
}

// fileLimit returns how many blocks one file may name. Only a volume that
// shares blocks may use one of them twice.
func (v *Volume) fileLimit() int64 {
	n := int64(min(v.Blocks, v.present())) + 64
	if v.ro(roSharedBlocks) {
		return 64 * n
	}
	return n
}

// add appends count blocks of the file, which follow what is there with or
// without a hole between.
func (m *mapping) add(logical, block, count uint64, kind ExtentKind) error {
	v := m.r.v
	if block < v.first || block >= v.Blocks || count > v.Blocks-block {
		return v.malformed(m.ino.at, "block %d of the file is said to lie in block %d of %d", logical, block, v.Blocks)
	}
	if logical >= m.end {
		return nil // set aside beyond the end of the file
	}
	count = min(count, m.end-logical)
	if err := m.hole(logical); err != nil {
		return err
	}
	return m.push(kind, count, v.span(block, count))
}

// hole fills up to a block of the file with nothing.
func (m *mapping) hole(to uint64) error {
	if to <= m.next {
		return nil
	}
	return m.push(Hole, to-m.next, disk.Span{})
}

func (m *mapping) push(kind ExtentKind, count uint64, s disk.Span) error {
	size := m.r.v.BlockSize
	e := Extent{Kind: kind, FileOffset: int64(m.next) * size, Bytes: int64(count) * size, Sectors: s}
	m.next += count
	if n := len(m.out); n > 0 {
		last := &m.out[n-1]
		if last.Kind == kind && (kind == Hole || last.Sectors.End() == s.Start) {
			last.Bytes += e.Bytes
			last.Sectors.Count += s.Count
			return nil
		}
	}
	if len(m.out) == maxExtents {
		return disk.Unsupportedf(m.r.v.Kind(), m.ino.at, -1, "the file lies in more than %d pieces", maxExtents)
	}
	m.out = append(m.out, e)
	return nil
}

// finish adds the hole at the end and cuts the last run to the file's size
// and to the sectors which that needs.
func (m *mapping) finish() []Extent {
	if m.next < m.end {
		size := m.r.v.BlockSize
		m.out = append(m.out, Extent{Kind: Hole, FileOffset: int64(m.next) * size, Bytes: int64(m.end-m.next) * size})
	}
	last := &m.out[len(m.out)-1]
	last.Bytes = m.ino.size - last.FileOffset
	unit := int64(m.r.v.src.SectorSize())
	last.Sectors.Count = min(last.Sectors.Count, disk.Sector((last.Bytes+unit-1)/unit))
	return m.out
}

// blockMap reads the classic map: twelve blocks, then trees of one, two and
// three levels (blockmap.rst).
func (m *mapping) blockMap() error {
	area := m.ino.area()
	for i := range uint64(12) {
		if err := m.pointer(uint64(le.Uint32(area[4*i:])), 0, i); err != nil {
			return err
		}
	}
	at, reach := uint64(12), uint64(1)
	for level := 1; level <= 3; level++ {
		reach *= m.perBlock()
		if err := m.pointer(uint64(le.Uint32(area[4*(11+level):])), level, at); err != nil {
			return err
		}
		at += reach
	}
	if m.end > at {
		return m.r.v.malformed(m.ino.at, "its size is more than a block map can hold")
	}
	return nil
}

func (m *mapping) perBlock() uint64 { return uint64(m.r.v.BlockSize / 4) }

// pointer follows one pointer of the given level, which stands for the blocks
// of the file from logical on. A pointer of 0 is a hole.
func (m *mapping) pointer(block uint64, level int, logical uint64) error {
	if block == 0 || logical >= m.end {
		return nil
	}
	if err := m.spend.spend(1); err != nil {
		return err
	}
	if level == 0 {
		return m.add(logical, block, 1, Data)
	}
	if block < m.r.v.first || block >= m.r.v.Blocks {
		return m.r.v.malformed(m.ino.at, "a pointer block is said to lie in block %d of %d", block, m.r.v.Blocks)
	}
	b, err := m.r.read(block)
	if err != nil {
		return err
	}
	step := uint64(1)
	for range level - 1 {
		step *= m.perBlock()
	}
	for i := range m.perBlock() {
		if err := m.pointer(uint64(le.Uint32(b[4*i:])), level-1, logical+i*step); err != nil {
			return err
		}
	}
	return nil
}
