package mbr

import (
	"encoding/binary"
	"slices"

	"bootgraft/image"
)

// fitsSectorSize looks for evidence that the table counts in sectors of
// another size than the disk is read with: no volume begins where an entry
// says, but at least one does if the same number is counted in sectors of the
// returned size, in bytes. src is the disk that the table was read from.
func (t *Table) fitsSectorSize(src image.Source) (int, bool) {
	best, most := 0, 0
	for _, size := range []int{512, 1024, 2048, 4096} {
		n := t.volumesAt(src, size)
		if size == t.SectorSize && n > 0 {
			return 0, false
		}
		if n > most {
			best, most = size, n
		}
	}
	return best, best != 0
}

// volumesAt counts the entries that begin with a volume if sectors have the
// given size.
func (t *Table) volumesAt(src image.Source, size int) int {
	n := 0
	for i := range t.entries {
		e := &t.entries[i]
		if !e.Extended && e.rec.Type != TypeGPT && volumeAt(src, int64(e.Start)*int64(size), size) {
			n++
		}
	}
	return n
}

// volumeAt tells whether a volume seems to begin at a byte of the source: a
// boot sector that states the sector size, or a superblock in its place.
func volumeAt(src image.Source, off int64, sectorSize int) bool {
	const head = 2048
	if off <= 0 || off > src.Size()-head {
		return false
	}
	b := make([]byte, head)
	if image.ReadFull(src, b, off) != nil {
		return false
	}
	if b[510] == 0x55 && b[511] == 0xAA && (b[0] == 0xEB || b[0] == 0xE9) {
		// Microsoft FAT: General Overview of On-Disk Format v1.03, BPB_BytsPerSec.
		return int(binary.LittleEndian.Uint16(b[11:])) == sectorSize
	}
	isExt := b[1080] == 0x53 && b[1081] == 0xEF // Linux, ext4/super.rst: s_magic
	return isExt || slices.Contains([]string{"H+", "HX", "BD"}, string(b[1024:1026])) || string(b[:4]) == "hsqs"
}
