package probe

import (
	"encoding/binary"

	"bootgraft/layout"
)

// HFS Plus: Apple Technical Note TN1150, "Volume Header", "B-Trees" and
// "Catalog File"; offsets as the Linux header fs/hfsplus/hfsplus_raw.h, which
// is made after it.
const (
	hfsPlusCatalog    = 272 // HFSPlusForkData of the catalog file
	hfsPlusBlockLimit = 1 << 27
	hfsPlusNodeLimit  = 32 << 10
	hfsPlusExtents    = 8
	hfsPlusRootParent = 1
	hfsPlusLeaf       = 0xFF
)

// hfsPlus reads the volume whose header b stands 1024 bytes after byte off of
// the entry. HFSX has the same header under another signature and version.
func hfsPlus(r *reader, off int64, b []byte) (*layout.Volume, error) {
	be := binary.BigEndian
	version := be.Uint16(b[2:])
	block, total, free := uint64(be.Uint32(b[40:])), uint64(be.Uint32(b[44:])), uint64(be.Uint32(b[48:]))
	if version != 4 && version != 5 {
		return nil, nil
	}
	if !powerOfTwo(block) || block < hfsUnit || block > hfsPlusBlockLimit || total == 0 || free > total {
		return nil, r.malformed("HFS Plus", off+hfsHeader+40, "%d blocks of %d bytes, of which %d are free, are not possible",
			total, block, free)
	}
	v := r.volume("hfsplus", total, int(block))
	v.ClusterBytes = int64(block)
	v.UsedBytes = int64((total - free) * block)
	v.ID = hfsID(b[80:112])
	v.Label = hfsPlusLabel(r, off, b[hfsPlusCatalog:], int64(block))
	return v, nil
}

// hfsPlusLabel returns the name in the first record of the catalog, whose key
// is that of the root folder. A catalog that is not in order gives no name.
func hfsPlusLabel(r *reader, off int64, fork []byte, block int64) string {
	be := binary.BigEndian
	start := off + int64(be.Uint32(fork[16:]))*block
	head := r.optional(start, hfsUnit)
	if head == nil {
		return ""
	}
	leaf, node := int64(be.Uint32(head[24:])), int64(be.Uint16(head[32:]))
	if !powerOfTwo(uint64(node)) || node < hfsUnit || node > hfsPlusNodeLimit || leaf == 0 {
		return ""
	}
	at, ok := hfsPlusPlace(fork, leaf*node, block)
	if !ok {
		return ""
	}
	b := r.optional(off+at, node)
	if b == nil || b[8] != hfsPlusLeaf || be.Uint16(b[10:]) == 0 {
		return ""
	}
	key := b[14:]
	n := int(be.Uint16(key[6:]))
	if be.Uint32(key[2:]) != hfsPlusRootParent || 8+2*n > len(key) {
		return ""
	}
	return fromUTF16(key[8:], n, be)
}

// hfsPlusPlace returns where byte pos of a fork lies in its volume, as far as
// the extents in the header tell.
func hfsPlusPlace(fork []byte, pos, block int64) (int64, bool) {
	for i := range hfsPlusExtents {
		extent := fork[16+8*i:]
		start, n := int64(binary.BigEndian.Uint32(extent)), int64(binary.BigEndian.Uint32(extent[4:]))*block
		if pos < n {
			return start*block + pos, true
		}
		pos -= n
	}
	return 0, false
}
