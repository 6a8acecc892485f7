package ext

import (
	"slices"

	"bootgraft/image/disk"
)

// checkDescriptors looks at every block of group descriptors. Where one is
// unreadable or names blocks that do not exist, a good copy takes its place.
func (v *Volume) checkDescriptors() {
	per := v.descsPerBlock()
	groups := min(v.groups, (v.present()-min(v.first, v.present())+v.perGroup-1)/v.perGroup)
	var replaced, lost []disk.Sector
	for k := range (groups + per - 1) / per {
		usual := v.descBlock(k)
		if v.soundDescriptors(k, usual, groups) {
			continue
		}
		at := slices.IndexFunc(v.descCopies(k), func(block uint64) bool {
			return block != usual && v.soundDescriptors(k, block, groups)
		})
		if at < 0 {
			lost = append(lost, v.sector(usual))
			continue
		}
		if v.descsFrom == nil {
			v.descsFrom = map[uint64]uint64{}
		}
		v.descsFrom[k] = v.descCopies(k)[at]
		replaced = append(replaced, v.sector(usual))
	}
	if len(replaced) > 0 {
		v.note(disk.Warningf(disk.ExtDescriptorsFromBackup, replaced[0],
			"unreadable or damaged: %s of group descriptors, the first in sector %s of the volume; "+
				"copies of them were used. The volume may not mount as it is: run e2fsck on the finished copy.",
			disk.Counted(len(replaced), "block"), disk.Grouped(replaced[0])))
	}
	if len(lost) > 0 {
		v.note(disk.Warningf(disk.ExtDescriptorsLost, lost[0],
			"unreadable or damaged: %s of group descriptors, the first in sector %s of the volume, "+
				"and so are their copies: not all files can be found, and free blocks cannot be told from used ones.",
			disk.Counted(len(lost), "block"), disk.Grouped(lost[0])))
	}
}

// descCopies returns where copies of the k-th block of descriptors lie.
func (v *Volume) descCopies(k uint64) []uint64 {
	groups := append([]uint64{0}, v.backupGroups(compared)...)
	if v.inMetaBG(k) {
		first := k * v.descsPerBlock()
		groups = []uint64{first, first + 1, first + v.descsPerBlock() - 1}
	}
	var out []uint64
	for _, g := range groups {
		if g < v.groups {
			out = append(out, v.descBlockIn(k, g))
		}
	}
	return out
}

// soundDescriptors tells whether a block holds the k-th block of descriptors,
// as far as that can be seen, for the groups that are there.
func (v *Volume) soundDescriptors(k, block, groups uint64) bool {
	if block >= v.present() {
		return false
	}
	b, err := v.blocks().read(block)
	if err != nil {
		return false
	}
	for g := k * v.descsPerBlock(); g < min((k+1)*v.descsPerBlock(), groups); g++ {
		if _, err := v.parseGroup(b, block, g); err != nil {
			return false
		}
	}
	return true
}
