package studio

import (
	"encoding/binary"
	"math/rand/v2"
)

// Stream is how frames of packed sound follow each other. The numbers of a header are
// written out, so that nothing of the reader is used to write.
type Stream struct {
	Name    string
	Header  uint32 // of a frame of MPEG audio without padding
	Length  int    // of that, bytes
	Per     int    // samples of each channel
	Rate    int
	Padding int // of how many frames one is longer by a byte; 0 for none
	ADTS    bool
}

// Streams are usual ones. Length is 144 (72 for MPEG-2 layer 3) times the bit rate by the
// sampling rate (ISO/IEC 11172-3, 2.4.3.1, from memory).
var Streams = []Stream{
	{Name: "layer 3, 128 kbit/s, 44100", Header: 0xFFFB9064, Length: 417, Per: 1152, Rate: 44100, Padding: 2},
	{Name: "layer 2, 192 kbit/s, 48000", Header: 0xFFFDA404, Length: 576, Per: 1152, Rate: 48000},
	{Name: "layer 3, 64 kbit/s, 22050, mono", Header: 0xFFF380C4, Length: 208, Per: 576, Rate: 22050, Padding: 2},
	{Name: "ADTS, 44100", Per: 1024, Rate: 44100, ADTS: true},
}

// Bytes makes n frames with random content.
func (s Stream) Bytes(r *rand.Rand, n int) (out []byte) {
	for i := range n {
		long, header := s.Length, s.Header
		if s.ADTS {
			long = 180 + r.IntN(300)
		} else if s.Padding > 0 && i%s.Padding == 1 {
			header |= 1 << 9
			long++
		}
		frame := Noise(r, long)
		if s.ADTS {
			// 12 bits of sync, MPEG-4, layer 0, no CRC, profile 1 (LC), rate 4 (44100), 2
			// channels, 13 bits of length, full buffer, one block (ISO/IEC 14496-3,
			// 1.A.2.2, from memory).
			copy(frame, []byte{0xFF, 0xF1, 0x50, 0x80 | byte(long>>11), byte(long >> 3), byte(long<<5) | 0x1F, 0xFC})
		} else {
			binary.BigEndian.PutUint32(frame, header)
		}
		out = append(out, frame...)
	}
	return out
}
