package ext

import (
	"fmt"
	"slices"

	"bootgraft/image"
	"bootgraft/image/disk"
)

// backupGroups returns the groups after 0 that hold a copy of the superblock,
// in order, at most limit of them.
func (sb *Superblock) backupGroups(limit int) []uint64 {
	var out []uint64
	switch {
	case sb.compat(compatSparseSuper2):
		out = append(out, sb.backups[0], sb.backups[1])
		out = slices.DeleteFunc(out, func(g uint64) bool { return g == 0 || g >= sb.groups })
	case !sb.ro(roSparseSuper):
		for g := uint64(1); g < sb.groups && len(out) < limit; g++ {
			out = append(out, g)
		}
	default:
		if sb.groups > 1 {
			out = append(out, 1)
		}
		for _, base := range []uint64{3, 5, 7} {
			for g := base; g < sb.groups; g *= base {
				out = append(out, g)
			}
		}
	}
	slices.Sort(out)
	out = slices.Compact(out)
	return out[:min(limit, len(out))]
}

// Backups returns the first sector of each copy of the superblock after the
// first, in order, at most limit of them.
func (v *Volume) Backups(limit int) []disk.Sector {
	var out []disk.Sector
	for _, g := range v.backupGroups(limit) {
		out = append(out, v.sector(v.firstBlock(g)))
	}
	return out
}

// readSuper reads and parses the superblock at a byte of the volume.
func readSuper(src image.Source, off int64) (*Superblock, error) {
	at := disk.Sector(off / int64(src.SectorSize()))
	if src.Size()-superBytes < off {
		return nil, disk.Absentf("ext", at, -1, "the volume ends before it")
	}
	buf := make([]byte, superBytes)
	if err := image.ReadFull(src, buf, off); err != nil {
		return nil, fmt.Errorf("reading the ext superblock in %s of the volume: %w", disk.At(at, src.SectorSize()), err)
	}
	return parseSuper(buf, at)
}

// findBackup looks for a copy of the superblock where mke2fs puts it unless
// told otherwise: groups as large as one bitmap block allows (mke2fs(8), -g),
// also with its standard cluster of 16 blocks. A copy counts only if its own
// fields put it exactly there.
func findBackup(src image.Source, groups []uint64, blockSizes []int64) *Superblock {
	for _, size := range blockSizes {
		for _, ratio := range []uint64{1, 16} {
			perGroup := min(8*uint64(size), 65528) * ratio
			first := uint64(0)
			if size == 1024 && ratio == 1 {
				first = 1
			}
			for _, g := range groups {
				block := first + g*perGroup
				if int64(block) >= src.Size()/size {
					break
				}
				sb, err := readSuper(src, int64(block)*size)
				if err != nil || sb.csumWrong || sb.BlockSize != size || sb.firstBlock(g) != block || !sb.hasSuper(g) {
					continue
				}
				if sb.copyOf == g || !sb.saysCopy {
					sb.copyOf = g
					return sb
				}
			}
		}
	}
	return nil
}

// compared is how many copies of the superblock Read looks at: enough to see
// that a volume was resized or made twice, few enough for a weak drive. By hand, no
// source.
const compared = 8

// checkBackups compares the copies of the superblock with the one in use.
func (v *Volume) checkBackups() {
	var unread []disk.Sector
	for _, g := range v.backupGroups(compared) {
		at := v.sector(v.firstBlock(g))
		if v.firstBlock(g) >= v.present() {
			break
		}
		if g == v.Backup {
			continue
		}
		sb, err := readSuper(v.src, int64(v.firstBlock(g))*v.BlockSize)
		var why string
		switch {
		case err != nil && !isFormat(err):
			unread = append(unread, at)
			continue
		case err != nil:
			why = err.Error()
		case sb.UUID != v.UUID:
			why = fmt.Sprintf("its UUID is %s, not %s", sb.UUID, v.UUID)
		case sb.Blocks != v.Blocks || sb.BlockSize != v.BlockSize:
			why = fmt.Sprintf("it says %d blocks of %d bytes, not %d of %d", sb.Blocks, sb.BlockSize, v.Blocks, v.BlockSize)
		case sb.saysCopy && sb.copyOf != g&0xFFFF:
			why = fmt.Sprintf("it says that it is the copy of group %d", sb.copyOf)
		default:
			continue
		}
		v.note(disk.Warningf(disk.ExtBackupDiffers, at, "The copy of the superblock in group %d (sector %s of the volume) "+
			"does not fit the one in use: %s. "+
			"Nothing reads it unless the first is lost; e2fsck -f writes the copies again.", g, disk.Grouped(at), why))
	}
	if len(unread) > 0 {
		v.note(disk.Notef(disk.ExtBackupUnread, unread[0],
			"%s of the superblock could not be read and were not compared; the first is in sector %s of the volume.",
			copies(len(unread)), disk.Grouped(unread[0])))
	}
}

// copies counts copies.
func copies(n int) string {
	if n == 1 {
		return "1 copy"
	}
	return disk.Grouped(n) + " copies"
}
