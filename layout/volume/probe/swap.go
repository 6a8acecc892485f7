package probe

import (
	"bytes"
	"encoding/binary"
	"fmt"

	"bootgraft/image/disk"
	"bootgraft/layout"
)

// Linux swap: union swap_header in the Linux header include/linux/swap.h. The
// magic stands in the last ten bytes of the first page; the page size is that
// of the machine that made it.
const (
	swapInfo   = 1024
	swapOld    = "SWAP-SPACE" // version 0, says no size
	swapNew    = "SWAPSPACE2"
	swapLabels = 28 // offset of the label from swapInfo; the UUID stands 16 before
)

func swap(r *reader) (*layout.Volume, []disk.Finding, error) {
	for page := int64(4096); page <= 65536; page *= 2 {
		magic, err := r.bytes(page-10, 10)
		if magic == nil || err != nil {
			return nil, nil, err
		}
		switch string(magic) {
		case swapOld:
			v := &layout.Volume{Span: r.entry, Kind: "swap", ClusterBytes: page, UsedBytes: -1}
			return v, nil, nil
		case swapNew:
			return swapVolume(r, page)
		}
	}
	return nil, nil, nil
}

func swapVolume(r *reader, page int64) (*layout.Volume, []disk.Finding, error) {
	b, err := r.bytes(swapInfo, 44)
	if b == nil || err != nil {
		return nil, nil, err
	}
	var order binary.ByteOrder = binary.LittleEndian
	if order.Uint32(b) != 1 {
		order = binary.BigEndian
	}
	last := order.Uint32(b[4:])
	if order.Uint32(b) != 1 || last == 0 {
		return nil, nil, r.malformed("Linux swap", swapInfo, "version %d with the last page %d is not possible",
			order.Uint32(b), last)
	}
	v := r.volume("swap", uint64(last)+1, int(page))
	v.ClusterBytes = page
	label, _, _ := bytes.Cut(b[swapLabels:swapLabels+16], []byte{0})
	v.Label = string(bytes.ToValidUTF8(label, []byte("?")))
	if u := b[12:28]; len(bytes.Trim(u, "\x00")) > 0 {
		v.ID = fmt.Sprintf("%x-%x-%x-%x-%x", u[:4], u[4:6], u[6:8], u[8:10], u[10:])
	}
	return v, nil, nil
}
