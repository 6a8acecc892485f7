package probe

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"strings"

	"bootgraft/image/disk"
	"bootgraft/layout"
)

// What is recognised by its published name alone: encrypted volumes, members of
// RAIDs and volume groups. Nothing of what they hold can be told here, so they
// are taken to fill their entry.

// nameOnly are the kinds of which no more than a name, a label and an
// identifier is read.
var nameOnly = map[string]bool{
	"luks": true, "lvm2": true, "md": true, "btrfs": true, "xfs": true, "f2fs": true, "udf": true, "zfs": true,
}

// NameOnly tells whether a kind is one of which only the name is known here:
// whether such a volume is empty cannot be told.
func NameOnly(kind string) bool { return nameOnly[kind] }

// filling begins a Volume that is taken to fill its entry.
func (r *reader) filling(kind string) *layout.Volume {
	return &layout.Volume{Span: r.entry, Kind: kind, UsedBytes: -1}
}

// uuid writes 16 bytes as RFC 4122, section 3, does.
func uuid(b []byte) string {
	return fmt.Sprintf("%x-%x-%x-%x-%x", b[:4], b[4:6], b[6:8], b[8:10], b[10:16])
}

// text returns what stands before the first NUL.
func text(b []byte) string {
	b, _, _ = bytes.Cut(b, []byte{0})
	return string(bytes.ToValidUTF8(b, []byte("?")))
}

// luks: LUKS On-Disk Format Specification 1.2.3, figure 1 (magic, version,
// uuid), and LUKS2 On-Disk Format Specification 1.1.0, section 2.1 (label).
func luks(r *reader) (*layout.Volume, []disk.Finding, error) {
	b, err := r.bytes(0, 512)
	if b == nil || err != nil || string(b[:6]) != "LUKS\xba\xbe" {
		return nil, nil, err
	}
	version := binary.BigEndian.Uint16(b[6:])
	if version != 1 && version != 2 {
		return nil, nil, r.malformed("LUKS", 6, "there is no version %d", version)
	}
	v := r.filling("luks")
	v.ID = text(b[168:208])
	if version == 2 {
		v.Label = text(b[24:72])
	}
	return v, nil, nil
}

// lvm2: the label of a physical volume, in one of the first four sectors of 512
// bytes: struct label_header in lib/label/label.h of LVM2, and struct pv_header
// in lib/format_text/layout.h.
func lvm2(r *reader) (*layout.Volume, []disk.Finding, error) {
	b, err := r.bytes(0, 4*512)
	if b == nil || err != nil {
		return nil, nil, err
	}
	for ; len(b) > 0; b = b[512:] {
		if string(b[:8]) != "LABELONE" || string(b[24:32]) != "LVM2 001" {
			continue
		}
		v := r.filling("lvm2")
		if at := int(binary.LittleEndian.Uint32(b[20:])); at >= 32 && at <= 512-32 {
			v.ID = groups(string(bytes.ToValidUTF8(b[at:at+32], []byte("?"))))
		}
		return v, nil, nil
	}
	return nil, nil, nil
}

// groups writes the identifier of a physical volume as its own tools do.
func groups(id string) string {
	var parts []string
	for _, n := range []int{6, 4, 4, 4, 4, 4, 6} {
		if len(id) < n {
			return ""
		}
		parts, id = append(parts, id[:n]), id[n:]
	}
	return strings.Join(parts, "-")
}

// md: a member of a Linux software RAID. The Linux header
// include/uapi/linux/raid/md_p.h: mdp_super_t at MD_NEW_SIZE_SECTORS for
// version 0.90; struct mdp_superblock_1 for 1.x, 8 KiB before the end for 1.0,
// at the start for 1.1, 4 KiB after it for 1.2.
const (
	mdMagic    = 0xa92b4efc
	mdReserved = 64 << 10 // MD_RESERVED_BYTES
)

// mdStart looks for the versions that stand at the start.
func mdStart(r *reader) (*layout.Volume, []disk.Finding, error) {
	for _, at := range []int64{0, 4096} {
		if v, err := mdVersion1(r, at); v != nil || err != nil {
			return v, nil, err
		}
	}
	return nil, nil, nil
}

// mdEnd looks for those that leave the start to the volume.
func mdEnd(r *reader) (*layout.Volume, []disk.Finding, error) {
	units := r.window.Size() / 512
	if v, err := mdVersion1(r, (units-16)&^7*512); v != nil || err != nil {
		return v, nil, err
	}
	at := r.window.Size()/mdReserved*mdReserved - mdReserved
	b, err := r.bytes(at, 64)
	if b == nil || err != nil {
		return nil, nil, err
	}
	for _, order := range []binary.ByteOrder{binary.LittleEndian, binary.BigEndian} { // that of the machine
		if order.Uint32(b) != mdMagic || order.Uint32(b[4:]) != 0 || order.Uint32(b[8:]) > 91 {
			continue
		}
		v := r.filling("md")
		var id [16]byte
		for i, from := range []int{20, 52, 56, 60} { // set_uuid0 to set_uuid3
			binary.BigEndian.PutUint32(id[4*i:], order.Uint32(b[from:]))
		}
		v.ID = uuid(id[:])
		return v, nil, nil
	}
	return nil, nil, nil
}

func mdVersion1(r *reader, at int64) (*layout.Volume, error) {
	b, err := r.bytes(at, 256)
	le := binary.LittleEndian
	if b == nil || err != nil || le.Uint32(b) != mdMagic || le.Uint32(b[4:]) != 1 || le.Uint64(b[144:]) != uint64(at/512) {
		return nil, err
	}
	v := r.filling("md")
	v.ID, v.Label = uuid(b[16:32]), text(b[32:64])
	return v, nil
}
