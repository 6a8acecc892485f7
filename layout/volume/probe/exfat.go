package probe

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"unicode/utf16"

	"bootgraft/image/disk"
	"bootgraft/layout"
)

// exFAT: Microsoft, "exFAT file system specification", section 3.1 (Main and
// Backup Boot Sector Sub-regions), 3.4 (Boot Checksum), 7.3 (Volume Label).
const (
	exfatLabelEntry = 0x83
	exfatDirLimit   = 64 << 10 // the label stands among the first entries of the root
)

func exfat(r *reader) (*layout.Volume, []disk.Finding, error) {
	b, err := r.bytes(0, 512)
	if b == nil || err != nil || string(b[3:11]) != "EXFAT   " {
		return nil, nil, err
	}
	if b[510] != 0x55 || b[511] != 0xAA || len(bytes.Trim(b[11:64], "\x00")) > 0 {
		return nil, nil, r.malformed("exFAT", 0, "its name, but not 55 AA at byte 510 and zeros from byte 11 to 63")
	}
	le := binary.LittleEndian
	sectorShift, clusterShift := int(b[108]), int(b[109])
	if sectorShift < 9 || sectorShift > 12 || clusterShift > 25-sectorShift {
		return nil, nil, r.malformed("exFAT", 108, "sectors of 2^%d bytes in clusters of 2^%d sectors are not possible",
			sectorShift, clusterShift)
	}
	length := le.Uint64(b[72:])
	heap, clusters := uint64(le.Uint32(b[88:])), uint64(le.Uint32(b[92:]))
	root := uint64(le.Uint32(b[96:]))
	if clusters == 0 || heap+clusters<<clusterShift > length || root < 2 || root > clusters+1 {
		return nil, nil, r.malformed("exFAT", 72, "%d sectors do not hold %d clusters from sector %d with the root "+
			"in cluster %d", length, clusters, heap, root)
	}
	v := r.volume("exfat", length, 1<<sectorShift)
	v.ClusterBytes = 1 << (sectorShift + clusterShift)
	v.ID = fmt.Sprintf("%04X-%04X", le.Uint16(b[102:]), le.Uint16(b[100:]))
	at := (heap + (root-2)<<clusterShift) << sectorShift
	v.Label = exfatLabel(r, int64(at), min(v.ClusterBytes, exfatDirLimit))
	return v, exfatCopies(r, 1<<sectorShift), nil
}

func exfatLabel(r *reader, at, n int64) string {
	for dir := r.optional(at, n); len(dir) >= 32 && dir[0] != 0; dir = dir[32:] {
		if dir[0] == exfatLabelEntry {
			return fromUTF16(dir[2:], min(int(dir[1]), 11), binary.LittleEndian)
		}
	}
	return ""
}

// exfatCopies compares the boot sector with its backup and both with the
// checksum. The flags and the percentage in use change without either.
func exfatCopies(r *reader, sector int64) []disk.Finding {
	region := r.optional(0, 13*sector)
	if region == nil {
		return nil
	}
	var found []disk.Finding
	var sum uint32
	for i, c := range region[:11*sector] {
		if i != 106 && i != 107 && i != 112 {
			sum = sum>>1 | sum<<31
			sum += uint32(c)
		}
	}
	if stored := binary.LittleEndian.Uint32(region[11*sector:]); stored != sum {
		found = append(found, disk.Warningf(disk.BootChecksum, r.sector(11*sector),
			"the checksum of the boot region in sector %d is %08X, but the region has %08X; a system may "+
				"refuse the volume", r.sector(11*sector), stored, sum))
	}
	main, backup := bytes.Clone(region[:sector]), bytes.Clone(region[12*sector:])
	for _, i := range []int{106, 107, 112} {
		main[i], backup[i] = 0, 0
	}
	if !bytes.Equal(main, backup) {
		found = append(found, backupDiffers(r, 0, 12*sector))
	}
	return found
}

func backupDiffers(r *reader, main, backup int64) disk.Finding {
	return disk.Warningf(disk.BootBackupDiffers, r.sector(backup),
		"the boot sector in sector %d and its second copy in sector %d differ. Both are copied as they are; "+
			"the second is of no use for repair until it is clear which is right",
		r.sector(main), r.sector(backup))
}

// fromUTF16 returns the first n units of b.
func fromUTF16(b []byte, n int, order binary.ByteOrder) string {
	units := make([]uint16, min(n, len(b)/2))
	for i := range units {
		units[i] = order.Uint16(b[2*i:])
	}
	return string(utf16.Decode(units))
}
