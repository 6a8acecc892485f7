package probe

import (
	"bytes"
	"encoding/binary"
	"fmt"

	"bootgraft/image/disk"
	"bootgraft/layout"
)

// NTFS: the Linux header fs/ntfs3/ntfs.h (NTFS_BOOT, MFT_REC, ATTRIB). That
// the second copy of the boot sector stands right after the sectors that the
// volume counts is from memory, and checked against what mkntfs writes.
const (
	ntfsVolumeRecord = 3
	ntfsLabel        = 0x60
	ntfsEnd          = 0xFFFFFFFF
	ntfsRecordLimit  = 64 << 10
)

func ntfs(r *reader) (*layout.Volume, []disk.Finding, error) {
	b, err := r.bytes(0, 512)
	if b == nil || err != nil || string(b[3:11]) != "NTFS    " {
		return nil, nil, err
	}
	le := binary.LittleEndian
	sector := int64(le.Uint16(b[11:]))
	if b[510] != 0x55 || b[511] != 0xAA || len(bytes.Trim(b[14:21], "\x00")) > 0 || le.Uint16(b[22:]) != 0 ||
		le.Uint32(b[32:]) != 0 {
		return nil, nil, r.malformed("NTFS", 0, "its name, but not 55 AA at byte 510 and zeros where FAT has its sizes")
	}
	cluster := sector * ntfsCluster(b[13])
	total := le.Uint64(b[40:])
	if !powerOfTwo(uint64(sector)) || sector < 256 || sector > 4096 || !powerOfTwo(uint64(cluster)) || cluster > 2<<20 ||
		total == 0 {
		return nil, nil, r.malformed("NTFS", 11, "%d sectors of %d bytes in clusters of %d bytes are not possible", total,
			sector, cluster)
	}
	v := r.volume("ntfs", total, int(sector))
	v.ClusterBytes = cluster
	v.ID = fmt.Sprintf("%016X", le.Uint64(b[72:]))
	record := ntfsRecord(int8(b[64]), cluster)
	if mft := le.Uint64(b[48:]); mft <= total && record > 0 {
		at := int64(min(mft, 1<<40))*cluster + ntfsVolumeRecord*record
		v.Label = ntfsVolumeName(r, at, record)
	}
	return v, ntfsBackup(r, v, b, total, sector), nil
}

// ntfsCluster returns sectors in a cluster; above 80h it is a negative power.
func ntfsCluster(c byte) int64 {
	if c <= 0x80 {
		return int64(c)
	}
	return 1 << min(-int(int8(c)), 30)
}

// ntfsRecord returns the bytes of a file record, 0 if that is not possible.
func ntfsRecord(c int8, cluster int64) int64 {
	n := int64(c) * cluster
	if c < 0 {
		n = 1 << min(-int(c), 30)
	}
	if n < 512 || n > ntfsRecordLimit {
		return 0
	}
	return n
}

// ntfsBackup lets the volume end with its second boot sector, where that lies
// inside the entry, and compares the two.
func ntfsBackup(r *reader, v *layout.Volume, boot []byte, total uint64, sector int64) []disk.Finding {
	at := int64(min(total, 1<<48)) * sector
	if at > r.window.Size()-512 {
		return nil
	}
	whole, _ := disk.Units(0, total+1, int(sector), r.window.SectorSize())
	v.Count = whole.Count
	second := r.optional(at, 512)
	if second == nil || bytes.Equal(boot, second) {
		return nil
	}
	return []disk.Finding{backupDiffers(r, 0, at)}
}

// ntfsVolumeName reads the name from the record of the volume. A record that
// is not in order gives no name.
func ntfsVolumeName(r *reader, at, n int64) string {
	b := r.optional(at, n)
	if b == nil || string(b[:4]) != "FILE" || !ntfsFixup(b) {
		return ""
	}
	le := binary.LittleEndian
	for off := int(le.Uint16(b[20:])); off+24 <= len(b); {
		attr := b[off:]
		kind, size := le.Uint32(attr), le.Uint32(attr[4:])
		if kind == ntfsEnd || size < 24 || uint64(size) > uint64(len(attr)) {
			return ""
		}
		if kind == ntfsLabel && attr[8] == 0 {
			value, count := int(le.Uint16(attr[20:])), int64(le.Uint32(attr[16:]))
			if int64(value)+count > int64(size) {
				return ""
			}
			return fromUTF16(attr[value:], int(count/2), le)
		}
		off += int(size)
	}
	return ""
}

// ntfsFixup puts back the last two bytes of each 512, which a record keeps in
// its head, and tells whether they were in order.
func ntfsFixup(b []byte) bool {
	le := binary.LittleEndian
	at, n := int(le.Uint16(b[4:])), int(le.Uint16(b[6:]))
	if n < 1 || at+2*n > len(b) || (n-1)*512 > len(b) {
		return false
	}
	for i := 1; i < n; i++ {
		tail := b[512*i-2 : 512*i]
		if !bytes.Equal(tail, b[at:at+2]) {
			return false
		}
		copy(tail, b[at+2*i:at+2*i+2])
	}
	return true
}
