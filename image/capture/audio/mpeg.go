// Package audio turns missing bytes of a recording into the times that will be
// silent or noisy: MPEG audio by its frame headers, WAV by its header.
package audio

import "time"

// Frame is what a header of MPEG audio says: ISO/IEC 11172-3, 2.4.1.3 and
// 2.4.2.3, and ISO/IEC 13818-3 for the lower sampling rates.
type Frame struct {
	version  version
	Layer    int // 1, 2, 3
	bitrate  int // bit/s
	Rate     int // samples a second
	padding  int // 0 or 1 slots
	Channels int
}

type version int

const (
	mpeg25 version = iota // an extension outside the standards
	reserved
	mpeg2
	mpeg1
)

// kilobits are the bit rates in kbit/s of the indices 1 to 14. Index 0 is a free
// rate, which gives no length, and 15 is forbidden.
var kilobits = map[[2]int][14]int{
	{1, 1}: {32, 64, 96, 128, 160, 192, 224, 256, 288, 320, 352, 384, 416, 448},
	{1, 2}: {32, 48, 56, 64, 80, 96, 112, 128, 160, 192, 224, 256, 320, 384},
	{1, 3}: {32, 40, 48, 56, 64, 80, 96, 112, 128, 160, 192, 224, 256, 320},
	{2, 1}: {32, 48, 56, 64, 80, 96, 112, 128, 144, 160, 176, 192, 224, 256},
	{2, 2}: {8, 16, 24, 32, 40, 48, 56, 64, 80, 96, 112, 128, 144, 160},
	{2, 3}: {8, 16, 24, 32, 40, 48, 56, 64, 80, 96, 112, 128, 144, 160},
}

var rates = map[version][3]int{
	mpeg1:  {44100, 48000, 32000},
	mpeg2:  {22050, 24000, 16000},
	mpeg25: {11025, 12000, 8000},
}

// ParseFrame reads the four bytes of a header.
func ParseFrame(h uint32) (f Frame, ok bool) {
	f.version = version(h >> 19 & 3)
	f.Layer = 4 - int(h>>17&3)
	bits, rate := int(h>>12&15), int(h>>10&3)
	if h>>21 != 0x7FF || f.version == reserved || f.Layer == 4 || bits == 0 || bits == 15 || rate == 3 {
		return f, false
	}
	table := 2
	if f.version == mpeg1 {
		table = 1
	}
	f.bitrate = 1000 * kilobits[[2]int{table, f.Layer}][bits-1]
	f.Rate = rates[f.version][rate]
	f.padding = int(h >> 9 & 1)
	if f.Channels = 2; h>>6&3 == 3 { // single_channel
		f.Channels = 1
	}
	return f, true
}

// Length returns the length of the frame in bytes, its header included.
func (f Frame) Length() int64 {
	switch {
	case f.Layer == 1:
		return int64(12*f.bitrate/f.Rate+f.padding) * 4
	case f.Layer == 3 && f.version != mpeg1:
		return int64(72*f.bitrate/f.Rate + f.padding)
	}
	return int64(144*f.bitrate/f.Rate + f.padding)
}

// Samples returns how many samples of each channel the frame holds.
func (f Frame) Samples() int64 {
	switch {
	case f.Layer == 1:
		return 384
	case f.Layer == 3 && f.version != mpeg1:
		return 576
	}
	return 1152
}

// goesWith tells whether g can follow f in one stream: all of it but the bit
// rate and the padding is the same.
func (f Frame) goesWith(g Frame) bool {
	return f.version == g.version && f.Layer == g.Layer && f.Rate == g.Rate
}

func (f Frame) duration(frames float64) time.Duration {
	return time.Duration(frames * float64(f.Samples()) / float64(f.Rate) * float64(time.Second))
}

// id3v2 returns the length of the tag that begins with these ten bytes, 0 if
// they are none: ID3v2, section "ID3v2 header"; the size leaves the header out
// and has seven bits in each byte.
func id3v2(h []byte) int64 {
	if len(h) < 10 || string(h[:3]) != "ID3" || h[3] == 0xFF || h[4] == 0xFF {
		return 0
	}
	size := int64(0)
	for _, b := range h[6:10] {
		if b >= 0x80 {
			return 0
		}
		size = size<<7 | int64(b)
	}
	return 10 + size
}
