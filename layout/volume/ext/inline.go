package ext

import (
	"bootgraft/image/disk"
)

// Attributes kept in an inode, attributes.rst.
const (
	attrMagic  = 0xEA020000
	attrEntry  = 16
	attrSystem = 7 // the name index that stands for "system."
)

// inInode is a run of a file that is kept in its inode from byte at.
func (v *Volume) inInode(n *inode, at int, fileOffset, size int64) Extent {
	unit := int64(v.src.SectorSize())
	from := n.byteAt + int64(at)
	return Extent{
		FileOffset: fileOffset, Bytes: size, Skip: int(from % unit),
		Sectors: disk.Between(disk.Sector(from/unit), disk.Sector((from+size+unit-1)/unit)),
	}
}

// inline returns the runs of a file that is kept in its inode: the first 60
// bytes where block numbers would be, the rest as the attribute system.data
// (inlinedata.rst).
func (r *blocks) inline(n *inode) ([]Extent, error) {
	out := []Extent{r.v.inInode(n, blockArea, 0, min(n.size, blockAreaBytes))}
	rest := n.size - blockAreaBytes
	if rest <= 0 {
		return out, nil
	}
	at, have := n.attribute(attrSystem, "data")
	if int64(have) < rest {
		return nil, r.v.malformed(n.at, "inode %d keeps %d bytes in itself, but only %d of the last %d are there", n.number,
			n.size, have, rest)
	}
	return append(out, r.v.inInode(n, at, blockAreaBytes, rest)), nil
}

// attribute returns where in the inode the value of an attribute lies, and
// its length: 0 if there is none.
func (n *inode) attribute(index byte, name string) (at, size int) {
	start := extraArea + n.extraSize()
	if start+4 > len(n.raw) || le.Uint32(n.raw[start:]) != attrMagic {
		return 0, 0
	}
	base := start + 4 // values are counted from the first entry
	for e := base; e+attrEntry <= len(n.raw) && le.Uint32(n.raw[e:]) != 0; {
		nameLen := int(n.raw[e])
		end := e + attrEntry + nameLen
		if end > len(n.raw) {
			return 0, 0
		}
		if n.raw[e+1] == index && string(n.raw[e+attrEntry:end]) == name {
			at, size := base+int(le.Uint16(n.raw[e+2:])), le.Uint32(n.raw[e+8:])
			if le.Uint32(n.raw[e+4:]) != 0 || at > len(n.raw) || uint64(size) > uint64(len(n.raw)-at) {
				return 0, 0
			}
			return at, int(size)
		}
		e = (end + 3) &^ 3
	}
	return 0, 0
}
