package ext

import (
	"fmt"
	"io/fs"
	"time"

	"bootgraft/image/disk"
)

// i_mode and i_flags, inodes.rst.
const (
	modeType    = 0xF000
	modeFIFO    = 0x1000
	modeChar    = 0x2000
	modeDir     = 0x4000
	modeBlock   = 0x6000
	modeRegular = 0x8000
	modeSymlink = 0xA000
	modeSocket  = 0xC000

	flagEncrypt = 0x800
	flagExtents = 0x80000
	flagInline  = 0x10000000
)

const rootInode = 2

// Places in an inode, inodes.rst.
const (
	blockArea      = 0x28 // i_block
	blockAreaBytes = 60
	extraArea      = 128
)

// inode is one inode as it lies on the disk.
type inode struct {
	number uint32
	raw    []byte
	at     disk.Sector // where it lies
	byteAt int64       // byte of the volume where it lies
	size   int64
}

func (n *inode) mode() uint16        { return le.Uint16(n.raw) }
func (n *inode) links() uint16       { return le.Uint16(n.raw[0x1A:]) }
func (n *inode) is(kind uint16) bool { return n.mode()&modeType == kind }
func (n *inode) has(flag uint32) bool {
	return le.Uint32(n.raw[0x20:])&flag != 0
}
func (n *inode) area() []byte { return n.raw[blockArea:][:blockAreaBytes] }

// extraSize returns how many bytes after the first 128 are fields.
func (n *inode) extraSize() int {
	if len(n.raw) <= extraArea {
		return 0
	}
	return min(int(le.Uint16(n.raw[extraArea:])), len(n.raw)-extraArea)
}

// modified reads when the content changed, and its extra field: two bits above the
// seconds and the nanoseconds (inodes.rst, "Inode Timestamps").
func (n *inode) modified() time.Time {
	const at, extra = 0x10, 0x88
	sec, nsec := int64(int32(le.Uint32(n.raw[at:]))), int64(0)
	if n.extraSize() >= extra+4-extraArea {
		x := le.Uint32(n.raw[extra:])
		sec += int64(x&3) << 32
		nsec = int64(x >> 2)
	}
	return time.Unix(sec, nsec).UTC()
}

// inode reads an inode of the volume.
func (r *blocks) inode(number uint32) (*inode, error) {
	v := r.v
	if number == 0 || number > v.Inodes {
		return nil, v.malformed(superSector(v.src), "there is no inode %d of %d", number, v.Inodes)
	}
	g, err := r.group(uint64((number - 1) / v.inodesPer))
	if err != nil {
		return nil, fmt.Errorf("inode %d: %w", number, err)
	}
	off := int64((number-1)%v.inodesPer) * v.inodeSize
	block := g.inodeTable + uint64(off/v.BlockSize)
	b, err := r.read(block)
	if err != nil {
		return nil, fmt.Errorf("inode %d: %w", number, err)
	}
	n := &inode{number: number, raw: b[off%v.BlockSize:][:v.inodeSize]}
	n.byteAt = int64(block)*v.BlockSize + off%v.BlockSize
	n.at = disk.Sector(n.byteAt / int64(v.src.SectorSize()))
	size := uint64(le.Uint32(n.raw[4:]))
	if n.is(modeRegular) || n.is(modeDir) && v.incompat(incompatLargedir) {
		size |= uint64(le.Uint32(n.raw[0x6C:])) << 32
	}
	// A logical block number has 32 bits (ifork.rst).
	if size > uint64(v.BlockSize)<<32 {
		return n, v.malformed(n.at, "inode %d says that it holds %d bytes", number, size)
	}
	n.size = int64(size)
	return n, nil
}

// fileMode translates i_mode.
func (n *inode) fileMode() fs.FileMode {
	m := fs.FileMode(n.mode() & 0o777)
	for bit, to := range map[uint16]fs.FileMode{0o4000: fs.ModeSetuid, 0o2000: fs.ModeSetgid, 0o1000: fs.ModeSticky} {
		if n.mode()&bit != 0 {
			m |= to
		}
	}
	switch n.mode() & modeType {
	case modeRegular:
		return m
	case modeDir:
		return m | fs.ModeDir
	case modeSymlink:
		return m | fs.ModeSymlink
	case modeFIFO:
		return m | fs.ModeNamedPipe
	case modeSocket:
		return m | fs.ModeSocket
	case modeBlock:
		return m | fs.ModeDevice
	case modeChar:
		return m | fs.ModeDevice | fs.ModeCharDevice
	}
	return m | fs.ModeIrregular
}
