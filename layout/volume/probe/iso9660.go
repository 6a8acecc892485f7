package probe

import (
	"bytes"
	"encoding/binary"
	"strings"

	"bootgraft/image/disk"
	"bootgraft/layout"
)

// ISO 9660: ECMA-119, 2nd edition, sections 8.1 (Format of a Volume
// Descriptor) and 8.4 (Primary Volume Descriptor). Positions there count from
// 1. Byte positions 81 and 129 hold numbers in both byte orders.
const (
	isoFirst     = 16 * 2048
	isoSector    = 2048
	isoLimit     = 32 // descriptors; the primary one is the first in practice
	isoPrimary   = 1
	isoEnd       = 255
	isoCreated   = 813
	isoModified  = 830
	isoDateBytes = 17
)

func iso9660(r *reader) (*layout.Volume, []disk.Finding, error) {
	for i := int64(0); i < isoLimit; i++ {
		at := isoFirst + i*isoSector
		b, err := r.bytes(at, isoSector)
		if b == nil || err != nil || string(b[1:6]) != "CD001" || b[6] != 1 || b[0] == isoEnd {
			return nil, nil, err
		}
		if b[0] == isoPrimary {
			return isoVolume(r, b, at)
		}
	}
	return nil, nil, nil
}

func isoVolume(r *reader, b []byte, at int64) (*layout.Volume, []disk.Finding, error) {
	le, be := binary.LittleEndian, binary.BigEndian
	space, block := le.Uint32(b[80:]), le.Uint16(b[128:])
	if !powerOfTwo(uint64(block)) || block < 512 || block > isoSector || space == 0 {
		return nil, nil, r.malformed("ISO 9660", at+80, "%d blocks of %d bytes are not possible", space, block)
	}
	v := r.volume("iso9660", uint64(space), int(block))
	v.ClusterBytes = int64(block)
	v.UsedBytes = int64(space) * int64(block)
	v.Label = strings.TrimRight(string(bytes.ToValidUTF8(b[40:72], []byte("?"))), " \x00")
	v.ID = isoDate(b[isoModified:])
	if v.ID == "" {
		v.ID = isoDate(b[isoCreated:])
	}
	if be.Uint32(b[84:]) == space && be.Uint16(b[130:]) == block {
		return v, nil, nil
	}
	return v, []disk.Finding{disk.Warningf(disk.VolumeSizesDiffer, r.sector(at),
		"the volume descriptor in sector %d gives its size twice (byte 80), and differently: %d blocks of %d bytes and %d "+
			"of %d; the first is believed",
		r.sector(at), space, block, be.Uint32(b[84:]), be.Uint16(b[130:]))}, nil
}

// isoDate writes a date as YYYY-MM-DD-hh-mm-ss-cc, the name by which Linux
// systems call such a volume. It is empty if the date is not set.
func isoDate(b []byte) string {
	digits := string(b[:isoDateBytes-1])
	if strings.Trim(digits, "0") == "" || strings.Trim(digits, "0123456789") != "" {
		return ""
	}
	parts := []string{digits[:4]}
	for i := 4; i < len(digits); i += 2 {
		parts = append(parts, digits[i:i+2])
	}
	return strings.Join(parts, "-")
}
