package sound

import (
	"encoding/binary"
	"fmt"

	"bootgraft/image"
	"bootgraft/image/disk"
)

// reading is one way to take bytes for samples. Which channel comes first does not matter
// to it; where a sample begins does.
type reading struct {
	Format
	phase int64 // a sample begins at this byte of the disk, and every Width bytes from it
}

func (r reading) String() string {
	words := ""
	if r.Swap != image.Plain {
		words = ", " + r.Swap.String()
	}
	return fmt.Sprintf("%d bits in %d from byte %d, %s-endian%s, %s",
		r.Bits, 8*r.Width, r.phase, r.Order, words, disk.Counted(r.Channels, "channel"))
}

// samples appends to dst the whole samples that b shows; b begins at byte at of the disk,
// which is the edge of a word. dirty is how many of the samples have
// something in the bytes beside them: other than zero, or in Low than their sign.
func (r reading) samples(dst []int32, b []byte, at int64) (out []int32, dirty int) {
	w := int64(r.Width)
	skip := ((r.phase-at)%w + w) % w
	if skip >= int64(len(b)) {
		return dst, 0
	}
	b = b[skip:]
	big := r.Order == Big
	switch r.Width {
	case 1:
		flip := byte(0)
		if r.Unsigned {
			flip = 0x80
		}
		for _, x := range b {
			dst = append(dst, int32(int8(x^flip)))
		}
	case 2:
		for ; len(b) >= 2; b = b[2:] {
			u := binary.LittleEndian.Uint16(b)
			if big {
				u = u>>8 | u<<8
			}
			dst = append(dst, int32(int16(u)))
		}
	case 3:
		for ; len(b) >= 3; b = b[3:] {
			u := uint32(b[0]) | uint32(b[1])<<8 | uint32(b[2])<<16
			if big {
				u = uint32(b[2]) | uint32(b[1])<<8 | uint32(b[0])<<16
			}
			dst = append(dst, int32(u<<8)>>8)
		}
	case 4:
		return r.fourBytes(dst, b)
	}
	return dst, 0
}

// fourBytes is samples for those in 4 bytes: 24 bits of each count, the low ones where
// the format says so.
func (r reading) fourBytes(dst []int32, b []byte) (out []int32, dirty int) {
	big := r.Order == Big
	for ; len(b) >= 4; b = b[4:] {
		u := binary.LittleEndian.Uint32(b)
		if big {
			u = binary.BigEndian.Uint32(b)
		}
		if r.Low {
			if int32(u)<<8>>8 != int32(u) {
				dirty++
			}
			dst = append(dst, int32(u))
			continue
		}
		if u&0xFF != 0 {
			dirty++
		}
		dst = append(dst, int32(u)>>8)
	}
	return dst, dirty
}

// turned returns b with its words turned back, in room that scratch gives.
func turned(scratch, b []byte, o image.Order) []byte {
	if o == image.Plain {
		return b
	}
	scratch = append(scratch[:0], b...)
	o.Turn(scratch)
	return scratch
}
