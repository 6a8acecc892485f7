package ext

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"math"
	"math/bits"

	"bootgraft/image/disk"
)

// Places in the superblock, super.rst.
const (
	superOffset = 1024 // byte of the first superblock in the volume
	superBytes  = 1024
	magicOffset = 0x38
	magic       = 0xEF53
	csumOffset  = 0x3FC
)

// s_state, super.rst.
const (
	stateClean   = 1
	stateErrors  = 2
	stateOrphans = 4
)

var le = binary.LittleEndian

// Superblock is what a superblock says of its volume.
type Superblock struct {
	Features
	Label      string
	UUID       string // lower-case hex, 8-4-4-4-12
	State      uint16 // s_state: 1 cleanly unmounted, 2 errors seen, 4 orphans
	BlockSize  int64  // bytes
	Blocks     uint64 // size of the file system in blocks
	FreeBlocks uint64
	Inodes     uint32

	ratio       uint64 // blocks a cluster: 1 without bigalloc
	first       uint64 // s_first_data_block
	perGroup    uint64 // blocks a group
	inodesPer   uint32 // inodes a group
	inodeSize   int64
	groups      uint64
	descSize    int64
	firstMetaBG uint64
	reservedGDT uint64
	backups     [2]uint64 // sparse_super2
	lastOrphan  uint32
	copyOf      uint64 // s_block_group_nr: the group that holds this copy, 0 where revision 0 does not say
	saysCopy    bool
	csumWrong   bool
}

// parseSuper reads the 1024 bytes of a superblock. at names its sector in
// errors.
func parseSuper(b []byte, at disk.Sector) (*Superblock, error) {
	if m := le.Uint16(b[magicOffset:]); m != magic {
		return nil, disk.Absentf("ext", at, magicOffset, "the magic is %04x, not ef53", m)
	}
	sb := &Superblock{
		Features: Features{le.Uint32(b[0x5C:]), le.Uint32(b[0x60:]), le.Uint32(b[0x64:])},
		State:    le.Uint16(b[0x3A:]),
		Inodes:   le.Uint32(b),

		first:       uint64(le.Uint32(b[0x14:])),
		perGroup:    uint64(le.Uint32(b[0x20:])),
		inodesPer:   le.Uint32(b[0x28:]),
		firstMetaBG: uint64(le.Uint32(b[0x104:])),
		reservedGDT: uint64(le.Uint16(b[0xCE:])),
		backups:     [2]uint64{uint64(le.Uint32(b[0x24C:])), uint64(le.Uint32(b[0x250:]))},
		lastOrphan:  le.Uint32(b[0xE8:]),
	}
	if le.Uint32(b[0x4C:]) > 0 {
		sb.copyOf = uint64(le.Uint16(b[0x5A:]))
		sb.saysCopy = true
	}
	if sb.incompat(incompatJournalDev) {
		return nil, disk.Unsupportedf("ext", at, 0x60, "it is the external journal of another volume and holds no files")
	}
	name, _, _ := bytes.Cut(b[0x78:0x88], []byte{0})
	sb.Label = string(name)
	u := b[0x68:0x78]
	sb.UUID = fmt.Sprintf("%x-%x-%x-%x-%x", u[:4], u[4:6], u[6:8], u[8:10], u[10:])
	if err := sb.parseSizes(b, at); err != nil {
		return nil, err
	}
	if err := sb.parseGroups(at); err != nil {
		return nil, err
	}
	// super.rst: crc32c of everything before it, with no final inversion.
	sum := ^crc32.Checksum(b[:csumOffset], crc32.MakeTable(crc32.Castagnoli))
	sb.csumWrong = sb.ro(roMetadataCsum) && sum != le.Uint32(b[csumOffset:])
	return sb, nil
}

// parseSizes reads the units: block, cluster, inode, descriptor, and the size
// of the file system in blocks.
func (sb *Superblock) parseSizes(b []byte, at disk.Sector) error {
	log, rev := le.Uint32(b[0x18:]), le.Uint32(b[0x4C:])
	switch {
	case rev > 1:
		return disk.Unsupportedf("ext", at, 0x4C, "revision %d; 0 and 1 are known", rev)
	case log > 6:
		return disk.Malformedf("ext", at, 0x18, "the block size is 2^(10+%d) bytes; the most is 65536", log)
	}
	sb.BlockSize = 1024 << log
	sb.ratio = 1
	if sb.ro(roBigalloc) {
		c := le.Uint32(b[0x1C:])
		if c < log || c > log+16 {
			return disk.Malformedf("ext", at, 0x1C, "clusters of 2^(10+%d) bytes with blocks of %d bytes", c, sb.BlockSize)
		}
		sb.ratio = 1 << (c - log)
	}
	sb.inodeSize = 128
	if rev > 0 {
		sb.inodeSize = int64(le.Uint16(b[0x58:]))
	}
	if n := sb.inodeSize; n < 128 || n > sb.BlockSize || bits.OnesCount64(uint64(n)) != 1 {
		return disk.Malformedf("ext", at, 0x58, "inodes of %d bytes", n)
	}
	sb.Blocks = uint64(le.Uint32(b[4:]))
	sb.FreeBlocks = uint64(le.Uint32(b[0xC:]))
	sb.descSize = 32
	if sb.incompat(incompat64bit) {
		sb.Blocks |= uint64(le.Uint32(b[0x150:])) << 32
		sb.FreeBlocks |= uint64(le.Uint32(b[0x158:])) << 32
		sb.descSize = int64(le.Uint16(b[0xFE:]))
		if n := sb.descSize; n < 64 || n > 1024 || bits.OnesCount64(uint64(n)) != 1 {
			return disk.Malformedf("ext", at, 0xFE, "group descriptors of %d bytes", n)
		}
	}
	if sb.Blocks > uint64(math.MaxInt64/2/sb.BlockSize) {
		return disk.Malformedf("ext", at, 4, "a size of %d blocks is more than any disk has", sb.Blocks)
	}
	return nil
}

// parseGroups checks how the blocks are divided into groups.
func (sb *Superblock) parseGroups(at disk.Sector) error {
	bitmap := 8 * uint64(sb.BlockSize)
	first := uint64(0)
	if sb.BlockSize == 1024 && sb.ratio == 1 {
		first = 1
	}
	switch {
	case sb.first != first:
		return disk.Malformedf("ext", at, 0x14, "the first data block is %d, but must be %d with blocks of %d bytes",
			sb.first, first, sb.BlockSize)
	case sb.Blocks <= sb.first:
		return disk.Malformedf("ext", at, 4, "a size of %d blocks holds nothing", sb.Blocks)
	case sb.perGroup < 256 || sb.perGroup%8 != 0 || sb.perGroup%sb.ratio != 0 || sb.perGroup/sb.ratio > bitmap:
		// mke2fs(8), -g: a multiple of 8 from 256; one bitmap block a group.
		return disk.Malformedf("ext", at, 0x20, "groups of %d blocks", sb.perGroup)
	case sb.inodesPer == 0 || uint64(sb.inodesPer) > bitmap:
		return disk.Malformedf("ext", at, 0x28, "groups of %d inodes", sb.inodesPer)
	}
	sb.groups = (sb.Blocks - sb.first + sb.perGroup - 1) / sb.perGroup
	if sb.groups > math.MaxUint32 || sb.groups*uint64(sb.inodesPer) != uint64(sb.Inodes) {
		return disk.Malformedf("ext", at, 0, "%d inodes, but %d groups of %d", sb.Inodes, sb.groups, sb.inodesPer)
	}
	return nil
}

// firstBlock returns the first block of group g.
func (sb *Superblock) firstBlock(g uint64) uint64 { return sb.first + g*sb.perGroup }

// hasSuper tells whether group g begins with a superblock (blockgroup.rst).
func (sb *Superblock) hasSuper(g uint64) bool {
	switch {
	case g == 0:
		return true
	case sb.compat(compatSparseSuper2):
		return g == sb.backups[0] || g == sb.backups[1]
	case g == 1 || !sb.ro(roSparseSuper):
		return true
	}
	return powerOf(3, g) || powerOf(5, g) || powerOf(7, g)
}

func powerOf(base, n uint64) bool {
	for n > 1 && n%base == 0 {
		n /= base
	}
	return n == 1
}
