package ext

import (
	"fmt"

	"bootgraft/image"
)

// bg_flags, group_descr.rst.
const blockUninit = 0x2

// group is a group descriptor.
type group struct {
	blockBitmap, inodeBitmap, inodeTable uint64
	flags                                uint16
	copied                               bool // from a copy, whose flags may be old
}

func (v *Volume) descsPerBlock() uint64 { return uint64(v.BlockSize / v.descSize) }

// descBlock returns the block that holds the k-th block of descriptors.
func (v *Volume) descBlock(k uint64) uint64 {
	g := v.Backup
	if v.inMetaBG(k) {
		g = k * v.descsPerBlock()
		if v.Backup != 0 && g+1 < v.groups {
			g++ // the second copy lies in the next group
		}
	}
	return v.descBlockIn(k, g)
}

// inMetaBG tells whether the k-th block of descriptors lies in the groups that
// it describes (blockgroup.rst, "Meta Block Groups").
func (v *Volume) inMetaBG(k uint64) bool {
	return v.incompat(incompatMetaBG) && k >= v.firstMetaBG
}

// descBlockIn returns the block of the copy that group g has.
func (v *Volume) descBlockIn(k, g uint64) uint64 {
	at := v.firstBlock(g) + v.bootBlock(g)
	if v.hasSuper(g) {
		at++
	}
	if v.inMetaBG(k) {
		return at
	}
	return at + k
}

// bootBlock is 1 for group 0 where blocks of 1 KiB are counted from 0, as
// bigalloc does: the superblock is in block 1 then.
func (v *Volume) bootBlock(g uint64) uint64 {
	if g == 0 && v.BlockSize == 1024 && v.first == 0 {
		return 1
	}
	return 0
}

// group reads the descriptor of group g.
func (r *blocks) group(g uint64) (group, error) {
	v := r.v
	k := g / v.descsPerBlock()
	block, copied := v.descsFrom[k]
	if !copied {
		block = v.descBlock(k)
	}
	b, err := r.read(block)
	if err != nil {
		return group{}, fmt.Errorf("descriptor of group %d: %w", g, err)
	}
	d, err := v.parseGroup(b, block, g)
	d.copied = copied || v.Backup != 0
	return d, err
}

// parseGroup reads the descriptor of group g from its block.
func (v *Volume) parseGroup(b []byte, block, g uint64) (group, error) {
	d := b[int64(g%v.descsPerBlock())*v.descSize:][:v.descSize]
	out := group{
		blockBitmap: uint64(le.Uint32(d)),
		inodeBitmap: uint64(le.Uint32(d[4:])),
		inodeTable:  uint64(le.Uint32(d[8:])),
		flags:       le.Uint16(d[0x12:]),
	}
	if v.descSize >= 64 {
		out.blockBitmap |= uint64(le.Uint32(d[0x20:])) << 32
		out.inodeBitmap |= uint64(le.Uint32(d[0x24:])) << 32
		out.inodeTable |= uint64(le.Uint32(d[0x28:])) << 32
	}
	for _, x := range []uint64{out.blockBitmap, out.inodeBitmap, out.inodeTable} {
		if x <= v.first || x >= v.Blocks { // the first block holds the superblock
			return group{}, v.malformed(v.sector(block), "the descriptor of group %d names block %d of %d", g, x, v.Blocks)
		}
	}
	return out, nil
}

// blocks reads whole blocks and keeps a few. It belongs to one goroutine.
type blocks struct {
	v    *Volume
	held map[uint64][]byte
}

// cacheBytes bounds what a blocks keeps: by hand, no source.
const cacheBytes = 1 << 20

func (v *Volume) blocks() *blocks { return &blocks{v, map[uint64][]byte{}} }

// read returns a block, which must not be changed.
func (r *blocks) read(n uint64) ([]byte, error) {
	if b := r.held[n]; b != nil {
		return b, nil
	}
	if n >= r.v.Blocks {
		return nil, r.v.malformed(superSector(r.v.src), "block %d of %d is asked for", n, r.v.Blocks)
	}
	b := make([]byte, r.v.BlockSize)
	if err := image.ReadFull(r.v.src, b, int64(n)*r.v.BlockSize); err != nil {
		return nil, fmt.Errorf("reading %s of the volume: %w", r.v.span(n, 1).Text(), err)
	}
	if int64(len(r.held)+1)*r.v.BlockSize > cacheBytes {
		clear(r.held)
	}
	r.held[n] = b
	return b, nil
}
