package ext

import (
	"errors"
	"fmt"
	"strings"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
)

// Volume is one ext2, ext3 or ext4 file system. Its methods may be used from
// several goroutines at once.
type Volume struct {
	Superblock
	Backup   uint64 // the group whose superblock was used: 0 is the first one
	Findings []disk.Finding

	src       image.Source
	descsFrom map[uint64]uint64 // k-th descriptor block -> where a good copy of it lies
}

// Read reads the superblock of the volume that fills src. If the first one is
// unreadable, damaged or wiped, a copy of it answers, with a finding.
//
// The error is a *disk.FormatError, or wraps what reading returned.
func Read(src image.Source) (*Volume, error) {
	sb, err := readSuper(src, superOffset)
	if err == nil && sb.copyOf != 0 {
		err = disk.Malformedf("ext", superSector(src), 0x5A, "it is the copy of group %d: the file system starts elsewhere",
			sb.copyOf)
	}
	if err != nil {
		sb, err = rescue(src, err)
		if err != nil {
			return nil, err
		}
	}
	if sb.BlockSize%int64(src.SectorSize()) != 0 {
		return nil, disk.Unsupportedf("ext", superSector(src), 0x18,
			"blocks of %d bytes are smaller than sectors of %d bytes", sb.BlockSize, src.SectorSize())
	}
	v := &Volume{Superblock: *sb, src: src, Backup: sb.copyOf}
	v.inspect()
	v.checkBackups()
	v.checkDescriptors()
	return v, nil
}

func superSector(src image.Source) disk.Sector {
	return disk.Sector(superOffset / src.SectorSize())
}

// isFormat tells a verdict on bytes from a failure to read them.
func isFormat(err error) bool {
	var f *disk.FormatError
	return errors.As(err, &f)
}

// rescue looks for a copy of a superblock that Read could not use. Where
// nothing of ext stands in its place, only the usual copies are tried, and one
// counts only with the root directory it leads to: any volume may hold the
// leftovers of an older one. It returns the first error if it finds nothing.
func rescue(src image.Source, why error) (*Superblock, error) {
	var f *disk.FormatError
	groups, sizes := []uint64{1, 3, 5, 7, 9}, []int64{1024, 2048, 4096, 8192, 16384, 32768, 65536}
	if errors.As(why, &f) {
		switch f.Fault {
		case disk.Unsupported:
			return nil, why
		case disk.Absent:
			groups, sizes = groups[:1], sizes[:3]
		}
	}
	sb := findBackup(src, groups, sizes)
	if sb == nil || sb.BlockSize%int64(src.SectorSize()) != 0 {
		return nil, why
	}
	if err := (&Volume{Superblock: *sb, src: src, Backup: sb.copyOf}).checkRoot(); err != nil &&
		(isFormat(err) || f != nil) {
		return nil, why
	}
	return sb, nil
}

func (v *Volume) note(f disk.Finding) { v.Findings = append(v.Findings, f) }

// inspect notes what the superblock admits.
func (v *Volume) inspect() {
	at := superSector(v.src)
	if v.Backup != 0 {
		v.note(disk.Warningf(disk.ExtSuperblockFromBackup, at,
			"The first superblock (sector %s of the volume) is unreadable or damaged; the copy of group %d in sector %s "+
				"was used. Whether it was cleanly unmounted and how much is free is not known, "+
				"and it will not mount as it is: run e2fsck on the finished copy.",
			disk.Grouped(at), v.Backup, disk.Grouped(v.sector(v.firstBlock(v.Backup)))))
	}
	if v.Blocks > v.present() {
		// E06: e2fsprogs e2fsck/problem.c, "The filesystem size (according to
		// the superblock) ... The physical size of the device".
		v.note(disk.Warningf(disk.ExtLargerThanPartition, at,
			"The file system says %s of %s = %s, but here there is only room for %s: what lies beyond is cut off (%s). "+
				"Files in them are lost, and the kernel refuses to mount it. Look for the right end of the partition.",
			disk.Counted(int64(v.Blocks), "block"), disk.Counted(int64(v.BlockSize), "byte"),
			disk.Counted(v.sectors(), "sector"), disk.Grouped(image.Sectors(v.src)),
			disk.Counted(v.sectors()-image.Sectors(v.src), "sector")))
	}
	if v.csumWrong {
		v.note(disk.Warningf(disk.ExtChecksum, at,
			"The checksum of the superblock in sector %s of the volume is wrong: "+
				"it was damaged or changed by hand. e2fsck can repair it.",
			disk.Grouped(at)))
	}
	v.inspectState(at)
	if bad := v.Incompat &^ readable; bad != 0 {
		v.note(disk.Warningf(disk.ExtUnsupportedFeatures, at,
			"The file system uses incompatible features that are not handled here (bits %#x): its size is known, "+
				"its files and free blocks are not.",
			bad))
	}
}

// inspectState notes what an unclean shutdown left.
func (v *Volume) inspectState(at disk.Sector) {
	var dirty []string
	if v.State&stateClean == 0 && v.Backup == 0 { // copies are never marked clean
		dirty = append(dirty, "it was not cleanly unmounted")
	}
	if v.State&stateErrors != 0 {
		dirty = append(dirty, "errors were seen in it")
	}
	if v.incompat(incompatRecover) { // E05
		dirty = append(dirty, "its journal holds changes that are not replayed: files are read here as they stand "+
			"without them")
	}
	if len(dirty) > 0 {
		v.note(disk.Warningf(disk.ExtDirty, at,
			"The file system is not clean: %s. It can be copied as it is, but not resized before e2fsck -f has "+
				"checked it.",
			strings.Join(dirty, "; ")))
	}
	if v.lastOrphan != 0 || v.State&stateOrphans != 0 || v.ro(roOrphanPresent) {
		v.note(disk.Warningf(disk.ExtOrphans, at,
			"Files that were deleted while open still hold blocks (first inode %d). "+
				"The next mount or e2fsck frees them.",
			v.lastOrphan))
	}
}

// sector returns the first sector of a block.
func (v *Volume) sector(block uint64) disk.Sector {
	return disk.Sector(block) * disk.Sector(v.BlockSize/int64(v.src.SectorSize()))
}

// span returns the sectors of a run of blocks.
func (v *Volume) span(block, count uint64) disk.Span {
	return disk.Span{Start: v.sector(block), Count: v.sector(count)}
}

// present returns how many blocks the source really holds.
func (v *Volume) present() uint64 { return uint64(v.src.Size() / v.BlockSize) }

// Kind returns ext2, ext3 or ext4.
func (v *Volume) Kind() string { return v.Features.Kind() }

// sectors returns the size of the file system in sectors of its source; the
// source itself may be larger or, with a finding, smaller.
func (v *Volume) sectors() disk.Sector { return v.sector(v.Blocks) }

// Layout describes the volume that starts at sector base of a disk. Meaning
// is its superblock and its group descriptors.
func (v *Volume) Layout(base disk.Sector, index int) layout.Volume {
	used, _ := v.Usage()
	var meaning disk.Spans
	for _, s := range v.describing() {
		meaning = meaning.Add(disk.Span{Start: base + s.Start, Count: s.Count})
	}
	return layout.Volume{
		Span:  disk.Span{Start: base, Count: v.sectors()},
		Index: index, Kind: v.Kind(), Label: v.Label, ID: v.UUID,
		ClusterBytes: v.BlockSize * int64(v.ratio), UsedBytes: used, Sized: true,
		Meaning: meaning, Listed: true,
	}
}

// describing returns the sectors, within the source, of the superblock in use
// and of all group descriptors.
func (v *Volume) describing() disk.Spans {
	unit := int64(v.src.SectorSize())
	off := int64(superOffset)
	if v.Backup != 0 {
		off = int64(v.firstBlock(v.Backup)) * v.BlockSize
	}
	out := disk.NewSpans(disk.Between(disk.Sector(off/unit), disk.Sector((off+superBytes+unit-1)/unit)))
	all := (v.groups + v.descsPerBlock() - 1) / v.descsPerBlock()
	plain := all // descriptor blocks that lie behind the superblock
	if v.incompat(incompatMetaBG) {
		plain = min(all, v.firstMetaBG)
	}
	if plain > 0 {
		out = out.Union(disk.NewSpans(v.span(v.descBlock(0), plain)))
	}
	var far []disk.Span
	for k := plain; k < all && v.descBlock(k) < v.present(); k++ {
		far = append(far, v.span(v.descBlock(k), 1))
	}
	for _, block := range v.descsFrom {
		far = append(far, v.span(block, 1))
	}
	return out.Union(far).Within(image.Whole(v.src))
}

// walkable returns an error if a feature keeps files and bitmaps from being
// understood.
func (v *Volume) walkable() error {
	if bad := v.Incompat &^ readable; bad != 0 {
		return disk.Unsupportedf(v.Kind(), superSector(v.src), 0x60, "incompatible feature bits %#x", bad)
	}
	return nil
}

// malformed makes the error for a structure that lies in a block.
func (v *Volume) malformed(at disk.Sector, why string, args ...any) error {
	return disk.Malformedf(v.Kind(), at, -1, "%s", fmt.Sprintf(why, args...))
}
