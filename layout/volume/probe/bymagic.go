package probe

import (
	"bytes"
	"encoding/binary"

	"bootgraft/image/disk"
	"bootgraft/layout"
)

// File systems that are recognised by their published magic alone.

// btrfs: struct btrfs_super_block in the Linux header
// include/uapi/linux/btrfs_tree.h; BTRFS_SUPER_INFO_OFFSET is 64 KiB.
func btrfs(r *reader) (*layout.Volume, []disk.Finding, error) {
	b, err := r.bytes(64<<10, 1024)
	if b == nil || err != nil || string(b[64:72]) != "_BHRfS_M" {
		return nil, nil, err
	}
	v := r.filling("btrfs")
	v.ID, v.Label = uuid(b[32:48]), text(b[0x12b:0x12b+256])
	return v, nil, nil
}

// xfs: struct xfs_dsb in the Linux header fs/xfs/libxfs/xfs_format.h.
func xfs(r *reader) (*layout.Volume, []disk.Finding, error) {
	b, err := r.bytes(0, 512)
	if b == nil || err != nil || string(b[:4]) != "XFSB" {
		return nil, nil, err
	}
	block := uint64(binary.BigEndian.Uint32(b[4:]))
	if !powerOfTwo(block) || block < 512 || block > 64<<10 {
		return nil, nil, r.malformed("XFS", 4, "blocks of %d bytes are not possible", block)
	}
	v := r.filling("xfs")
	v.ID, v.Label = uuid(b[32:48]), text(b[108:120])
	return v, nil, nil
}

// f2fs: struct f2fs_super_block in the Linux header include/linux/f2fs_fs.h, at
// byte 1024 (F2FS_SUPER_OFFSET) of each of the first two blocks of 4 KiB.
func f2fs(r *reader) (*layout.Volume, []disk.Finding, error) {
	for _, at := range []int64{1024, 4096 + 1024} {
		b, err := r.bytes(at, 124+1024)
		if b == nil || err != nil {
			return nil, nil, err
		}
		if binary.LittleEndian.Uint32(b) != 0xF2F52010 {
			continue
		}
		v := r.filling("f2fs")
		name := b[124:]
		for i := 0; i < len(name); i += 2 {
			if name[i] == 0 && name[i+1] == 0 {
				name = name[:i]
			}
		}
		v.ID, v.Label = uuid(b[108:124]), fromUTF16(name, len(name)/2, binary.LittleEndian)
		return v, nil, nil
	}
	return nil, nil, nil
}

// udf: the Volume Recognition Sequence of ECMA-167, 3rd edition, parts 2/8.3
// and 3/9.1: descriptors of 2 KiB from byte 32768, or one to each sector where
// sectors are larger. NSR02 and NSR03 are its volumes.
func udf(r *reader) (*layout.Volume, []disk.Finding, error) {
	for _, step := range []int64{isoSector, 4096} {
		for i := range int64(isoLimit) {
			b, err := r.bytes(isoFirst+i*step, 8)
			if err != nil {
				return nil, nil, err
			}
			if b == nil || bytes.Count(b[1:6], []byte{0}) > 0 {
				break
			}
			if id := string(b[1:6]); id == "NSR02" || id == "NSR03" {
				return r.filling("udf"), nil, nil
			}
		}
	}
	return nil, nil, nil
}

// zfs: ZFS On-Disk Specification (Sun Microsystems, 2006 draft), section 1.2:
// four labels of 256 KiB, two at each end. In each, name-value pairs in XDR
// stand at 16 KiB, and from 128 KiB a ring of uberblocks, each at a multiple of
// 1 KiB, with the magic 00bab10c in the byte order of the machine.
const (
	zfsLabel = 256 << 10
	zfsPairs = 16 << 10
	zfsRing  = 128 << 10
	zfsMagic = 0x00bab10c
)

func zfs(r *reader) (*layout.Volume, []disk.Finding, error) {
	end := r.window.Size() / zfsLabel * zfsLabel
	for _, at := range []int64{0, zfsLabel, end - 2*zfsLabel, end - zfsLabel} {
		b, err := r.bytes(at+zfsPairs, 4)
		if err != nil {
			return nil, nil, err
		}
		if b == nil || b[0] != 1 || b[1] > 1 || b[2] != 0 || b[3] != 0 { // XDR; the byte order of the host; two spare
			continue
		}
		ring, err := r.bytes(at+zfsRing, zfsLabel-zfsRing)
		if err != nil {
			return nil, nil, err
		}
		for ; len(ring) > 0; ring = ring[1024:] {
			if binary.LittleEndian.Uint64(ring) == zfsMagic || binary.BigEndian.Uint64(ring) == zfsMagic {
				return r.filling("zfs"), nil, nil
			}
		}
	}
	return nil, nil, nil
}
