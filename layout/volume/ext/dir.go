package ext

import (
	"bytes"
	"fmt"

	"bootgraft/image/disk"
)

// direntHead is the length of a directory entry without its name
// (directory.rst, "Linear (Classic) Directories"). An indexed directory reads
// the same way: its index hides in entries that name no inode.
const direntHead = 8

// entries calls fn for each entry of one block of a directory, or of the part
// of one that an inode keeps.
func (v *Volume) entries(b []byte, at disk.Sector, fn func(name []byte, ino uint32) error) error {
	for off := 0; off < len(b); {
		if len(b)-off < direntHead {
			return v.malformed(at, "a directory entry at byte %d runs out of its block", off)
		}
		e := b[off:]
		length := recLen(le.Uint16(e[4:]), len(b))
		nameLen := int(e[6])
		if !v.incompat(incompatFiletype) {
			nameLen = int(le.Uint16(e[6:]))
		}
		if length < direntHead+nameLen || length > len(e) || length%4 != 0 || nameLen > 255 {
			return v.malformed(at, "a directory entry at byte %d has length %d and a name of %d", off, length, nameLen)
		}
		if ino := le.Uint32(e); ino != 0 {
			if err := fn(e[direntHead:][:nameLen], ino); err != nil {
				return err
			}
		}
		off += length
	}
	return nil
}

// recLen decodes the length of an entry: its two lowest bits are bits 16 and
// 17, and in a block of 64 KiB FFFFh and 0 stand for all of it.
func recLen(n uint16, block int) int {
	if block == 65536 && (n == 0xFFFF || n == 0) {
		return block
	}
	if block < 65536 {
		return int(n)
	}
	return int(n&^3) | int(n&3)<<16
}

// checkName refuses names that would lead out of their directory.
func checkName(name []byte) error {
	switch {
	case len(name) == 0:
		return fmt.Errorf("an empty name")
	case bytes.ContainsAny(name, "/\x00"):
		return fmt.Errorf("the name %q has a slash or a NUL in it", name)
	}
	return nil
}

// dots tells whether a name is that of the directory itself or its parent.
func dots(name []byte) bool { return string(name) == "." || string(name) == ".." }

// checkRoot returns an error unless the root directory begins as one must.
func (v *Volume) checkRoot() error {
	r := v.blocks()
	n, err := r.inode(rootInode)
	if err != nil {
		return err
	}
	switch {
	case !n.is(modeDir):
		return v.malformed(n.at, "inode 2 is no directory")
	case n.has(flagInline) && le.Uint32(n.area()) == rootInode:
		return nil // its own parent
	}
	ext, err := r.extents(n, &budget{int64(v.present())})
	if err != nil {
		return err
	}
	if len(ext) == 0 || ext[0].Kind != Data {
		return v.malformed(n.at, "the root directory is empty")
	}
	b, err := r.read(uint64(ext[0].Sectors.Start / v.sector(1)))
	if err != nil {
		return err
	}
	if le.Uint32(b) != rootInode || b[6] != 1 || b[8] != '.' {
		return v.malformed(ext[0].Sectors.Start, "the root directory does not begin with itself")
	}
	return nil
}
