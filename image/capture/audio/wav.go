package audio

import (
	"encoding/binary"
	"time"
)

// wav is what the header of a RIFF file of type WAVE says (Multimedia
// Programming Interface and Data Specifications 1.0, 1991).
type wav struct {
	data, length int64 // where the samples lie, bytes
	perSecond    int64 // bytes
	align        int64 // bytes of one sample of all channels
}

// maxChunks bounds how many chunks may precede the samples.
const maxChunks = 64

func parseWAV(w *window) (h wav, ok bool) {
	b := w.bytes(0, 12)
	if b == nil || string(b[:4]) != "RIFF" || string(b[8:]) != "WAVE" {
		return h, false
	}
	at := int64(12)
	for range maxChunks {
		b := w.bytes(at, 8)
		if b == nil {
			return h, false
		}
		id, n := string(b[:4]), int64(binary.LittleEndian.Uint32(b[4:]))
		at += 8
		switch id {
		case "fmt ":
			f := w.bytes(at, 16)
			if f == nil || n < 16 {
				return h, false
			}
			h.perSecond = int64(binary.LittleEndian.Uint32(f[8:]))
			h.align = max(1, int64(binary.LittleEndian.Uint16(f[12:])))
		case "data":
			h.data, h.length = at, min(n, w.size-at)
			return h, h.perSecond > 0
		}
		at += n + n&1 // chunks begin at even offsets
	}
	return h, false
}

// span returns the time of a run of bytes, in whole samples.
func (h wav) span(m Range) Span {
	from := min(max(0, m.Start-h.data), h.length)
	to := min(max(0, m.Start+m.Count-h.data), h.length)
	from -= from % h.align
	to += (h.align - to%h.align) % h.align
	return Span{h.time(from), h.time(to)}
}

func (h wav) time(n int64) time.Duration {
	return time.Duration(float64(n) / float64(h.perSecond) * float64(time.Second))
}
