package ext

// Feature bits, super.rst: s_feature_compat, s_feature_incompat and
// s_feature_ro_compat. Only those that change how a volume is read are named.
const (
	compatHasJournal   = 0x4
	compatSparseSuper2 = 0x200

	incompatFiletype   = 0x2
	incompatRecover    = 0x4
	incompatJournalDev = 0x8
	incompatMetaBG     = 0x10
	incompatExtents    = 0x40
	incompat64bit      = 0x80
	incompatMMP        = 0x100
	incompatFlexBG     = 0x200
	incompatEAInode    = 0x400
	incompatCsumSeed   = 0x2000
	incompatLargedir   = 0x4000
	incompatInlineData = 0x8000
	incompatEncrypt    = 0x10000
	incompatCasefold   = 0x20000

	roSparseSuper   = 0x1
	roLargeFile     = 0x2
	roBtreeDir      = 0x4
	roGdtCsum       = 0x10
	roBigalloc      = 0x200
	roMetadataCsum  = 0x400
	roSharedBlocks  = 0x4000
	roOrphanPresent = 0x10000
)

// readable are the incompatible features that do not keep this package from
// finding files and blocks. Encryption hides names and contents of the files
// that use it, not the rest.
const readable = incompatFiletype | incompatRecover | incompatMetaBG | incompatExtents |
	incompat64bit | incompatMMP | incompatFlexBG | incompatEAInode | incompatCsumSeed |
	incompatLargedir | incompatInlineData | incompatEncrypt | incompatCasefold

// Features are the three feature words of a superblock.
type Features struct {
	Compat, Incompat, ROCompat uint32
}

func (f Features) compat(bit uint32) bool   { return f.Compat&bit != 0 }
func (f Features) incompat(bit uint32) bool { return f.Incompat&bit != 0 }
func (f Features) ro(bit uint32) bool       { return f.ROCompat&bit != 0 }

// Kind returns ext2, ext3 or ext4 by the features in use, as libblkid tells
// them apart: whatever an ext3 driver would not understand is ext4, and of
// the rest ext3 is what has a journal.
func (f Features) Kind() string {
	const roExt3 = roSparseSuper | roLargeFile | roBtreeDir
	const incompatExt3 = incompatFiletype | incompatRecover | incompatMetaBG
	switch {
	case f.ROCompat&^roExt3 != 0 || f.Incompat&^incompatExt3 != 0:
		return "ext4"
	case f.compat(compatHasJournal):
		return "ext3"
	}
	return "ext2"
}
