package probe

import (
	"encoding/binary"
	"fmt"

	"golang.org/x/text/encoding/charmap"

	"bootgraft/image/disk"
	"bootgraft/layout"
)

// HFS: Apple, Inside Macintosh: Files, chapter 2, "Master Directory Blocks";
// the wrapper: Apple Technical Note TN1150, "HFS Wrapper". Offsets as the
// structure hfs_mdb in libblkid/src/superblocks/hfs.c of util-linux.
const (
	hfsHeader = 1024 // the master directory block or volume header stands here
	hfsUnit   = 512
	// hfsAfter is what follows the allocation blocks: the second copy of the
	// master directory block and a sector that is not used.
	hfsAfter = 2
)

func hfs(r *reader) (*layout.Volume, []disk.Finding, error) {
	b, err := r.bytes(hfsHeader, hfsUnit)
	if b == nil || err != nil {
		return nil, nil, err
	}
	switch string(b[:2]) {
	case "H+", "HX":
		v, err := hfsPlus(r, 0, b)
		return v, nil, err
	case "BD":
		return hfsClassic(r, b)
	}
	return nil, nil, nil
}

func hfsClassic(r *reader, b []byte) (*layout.Volume, []disk.Finding, error) {
	be := binary.BigEndian
	blocks, free := uint64(be.Uint16(b[18:])), uint64(be.Uint16(b[34:]))
	block, first := uint64(be.Uint32(b[20:])), uint64(be.Uint16(b[28:]))
	nameLength := int(b[36])
	// Two letters are no proof: every number must be possible as well.
	if blocks == 0 || free > blocks || block == 0 || block%hfsUnit != 0 || first < 3 || nameLength == 0 ||
		nameLength > 27 {
		return nil, nil, nil
	}
	v := r.volume("hfs", first+blocks*(block/hfsUnit)+hfsAfter, hfsUnit)
	v.ClusterBytes = int64(block)
	v.UsedBytes = int64((blocks - free) * block)
	v.Label = macRoman(b[37 : 37+nameLength])
	v.ID = hfsID(b[92:124])
	if inner := string(b[124:126]); inner != "H+" && inner != "HX" {
		return v, nil, nil
	}
	return hfsWrapped(r, v, first*hfsUnit+uint64(be.Uint16(b[126:]))*block)
}

// hfsWrapped reads the HFS Plus volume that lies at byte off of a classic one.
// The Span stays that of the wrapper, which fills the entry.
func hfsWrapped(r *reader, wrapper *layout.Volume, off uint64) (*layout.Volume, []disk.Finding, error) {
	b, err := r.bytes(int64(off)+hfsHeader, hfsUnit)
	if err != nil {
		return nil, nil, err
	}
	if b == nil || (string(b[:2]) != "H+" && string(b[:2]) != "HX") {
		return nil, nil, r.malformed("HFS", hfsHeader+124,
			"it says that it wraps an HFS Plus volume at byte %d of the volume, which is not there", off)
	}
	v, err := hfsPlus(r, int64(off), b)
	switch {
	case err != nil:
		return nil, nil, err
	case v == nil:
		return nil, nil, r.malformed("HFS Plus", int64(off)+hfsHeader+2, "there is no version %d",
			binary.BigEndian.Uint16(b[2:]))
	}
	at := r.sector(int64(off))
	v.Span = wrapper.Span
	return v, []disk.Finding{disk.Notef(disk.HFSWrapper, r.entry.Start,
		"the HFS Plus volume begins at sector %d, inside a small HFS volume that begins at sector %d "+
			"and covers both", at, r.entry.Start)}, nil
}

// hfsID returns the volume identifier in the Finder information, which both
// formats keep there, as hex digits; empty if it is not set.
func hfsID(finder []byte) string {
	if id := binary.BigEndian.Uint64(finder[24:]); id != 0 {
		return fmt.Sprintf("%016X", id)
	}
	return ""
}

func macRoman(b []byte) string {
	s := make([]rune, len(b))
	for i, c := range b {
		s[i] = charmap.Macintosh.DecodeByte(c)
	}
	return string(s)
}
