package probe

import (
	"encoding/binary"

	"bootgraft/image/disk"
	"bootgraft/layout"
)

// squashfs: the super blocks of versions 1 to 4, as the Linux header
// fs/squashfs/squashfs_fs.h and the headers of its tools give them. Versions
// before 4 were written in either byte order; a variant with LZMA turned the
// letters of the magic round once more.
var squashfsMagic = map[string]binary.ByteOrder{
	"hsqs": binary.LittleEndian,
	"sqsh": binary.BigEndian,
	"shsq": binary.LittleEndian,
	"qshs": binary.BigEndian,
}

const squashfsBlockLimit = 1 << 20

func squashfs(r *reader) (*layout.Volume, []disk.Finding, error) {
	b, err := r.bytes(0, 96)
	if b == nil || err != nil {
		return nil, nil, err
	}
	order, ok := squashfsMagic[string(b[:4])]
	if !ok {
		return nil, nil, nil
	}
	major, minor := order.Uint16(b[28:]), order.Uint16(b[30:])
	used, block := uint64(order.Uint32(b[8:])), uint64(order.Uint16(b[32:]))
	switch major {
	case 1:
	case 2:
		block = uint64(order.Uint32(b[51:]))
	case 3:
		used, block = order.Uint64(b[63:]), uint64(order.Uint32(b[51:]))
	case 4:
		used, block = order.Uint64(b[40:]), uint64(order.Uint32(b[12:]))
	default:
		return nil, nil, r.malformed("squashfs", 28, "there is no version %d.%d", major, minor)
	}
	if !powerOfTwo(block) || block > squashfsBlockLimit || used < 96 || used > 1<<60 {
		return nil, nil, r.malformed("squashfs", 0, "%d bytes in blocks of %d are not possible in version %d.%d", used, block,
			major, minor)
	}
	v := r.volume("squashfs", used, 1)
	v.ClusterBytes = int64(block)
	v.UsedBytes = int64(used)
	if major == 4 {
		return v, nil, nil
	}
	return v, []disk.Finding{disk.Notef(disk.VolumeOldVersion, r.entry.Start,
		"the squashfs volume at sector %d is of version %d.%d, which systems of today do not mount; it is "+
			"copied as it is", r.entry.Start, major, minor)}, nil
}
