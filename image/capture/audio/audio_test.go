package audio

import (
	"encoding/binary"
	"errors"
	"testing"
	"time"
)

// Lengths of frames. The formula is that of ISO/IEC 11172-3, 2.4.3.1.
func TestFrameLengths(t *testing.T) {
	for _, tt := range []struct {
		id     string
		header uint32
		want   int64
	}{
		{"X01: MPEG-1 Layer III, 128 kbit/s, 44.1 kHz", 0xFFFB9064, 417},
		{"X01: the same, padded", 0xFFFB9200, 418},
		{"X02: 192 kbit/s, 44.1 kHz", 0xFFFBB000, 626},
		{"X02: padded", 0xFFFBB200, 627},
		{"X02: 320 kbit/s, 44.1 kHz", 0xFFFBE064, 1044},
		{"X02: padded", 0xFFFBE200, 1045},
		{"X02: 128 kbit/s, 48 kHz", 0xFFFB9400, 384},
		{"X02: 192 kbit/s, 48 kHz", 0xFFFBB400, 576},
		{"X04 (from memory): MPEG-2 Layer III, 64 kbit/s, 22.05 kHz", 0xFFF38064, 208},
		{"X04 (from memory): padded", 0xFFF38200, 209},
	} {
		if f, ok := ParseFrame(tt.header); !ok || f.Length() != tt.want {
			t.Errorf("%s: %08X has %d bytes, want %d (%v)", tt.id, tt.header, f.Length(), tt.want, ok)
		}
	}
	for name, h := range map[string]uint32{
		"free rate": 0xFFFB0064, "forbidden rate": 0xFFFBF064, "reserved sampling rate": 0xFFFB9C64,
		"reserved version": 0xFFEB9064, "reserved layer": 0xFFF99064, "no sync": 0xFFDB9064,
	} {
		if f, ok := ParseFrame(h); ok {
			t.Errorf("%s: %08X is taken for %+v", name, h, f)
		}
	}
}

// X03: 128 kbit/s at 44.1 kHz on average: 20,480 bytes in 49 frames, 47 of them
// padded (arithmetic: 144*128000/44100 = 417 + 47/49).
func TestFramesOf128Kilobits(t *testing.T) {
	plain, _ := ParseFrame(0xFFFB9064)
	padded, _ := ParseFrame(0xFFFB9264)
	if got := 2*plain.Length() + 47*padded.Length(); got != 20_480 {
		t.Errorf("49 frames have %d bytes", got)
	}
	// 16 kbit are 2,048 bytes: 20,480 bytes last 1.28 s.
	if got := plain.duration(49); got.Round(time.Microsecond) != 1280*time.Millisecond {
		t.Errorf("49 frames last %v", got)
	}
}

// ID3v2.4.0, sections 3.1 and 6.2; X05: synchsafe 00 00 02 01 is 257; X06.
func TestID3v2(t *testing.T) {
	for _, tt := range []struct {
		head string
		want int64
	}{
		{"ID3\x04\x00\x00\x00\x00\x02\x01", 10 + 257},
		{"ID3\x04\x00\x00\x7f\x7f\x7f\x7f", 10 + 268_435_455},
		{"ID3\xff\x00\x00\x00\x00\x02\x01", 0},
		{"ID3\x04\x00\x00\x00\x00\x82\x01", 0},
		{"TAG\x04\x00\x00\x00\x00\x02\x01", 0},
		{"ID3", 0},
	} {
		if got := id3v2([]byte(tt.head)); got != tt.want {
			t.Errorf("%q: %d, want %d", tt.head, got, tt.want)
		}
	}
}

var errMissing = errors.New("missing")

// holed is a file of which some bytes are missing, by sectors of 512.
type holed struct {
	data    []byte
	missing []Range
}

func (h holed) ReadAt(p []byte, off int64) (int, error) {
	for _, m := range h.missing {
		if off < m.Start+m.Count && off+int64(len(p)) > m.Start {
			return 0, errMissing
		}
	}
	return copy(p, h.data[off:]), nil
}

// song makes frames of 128 kbit/s at 44.1 kHz, padded as an encoder would.
func song(frames int) []byte {
	var out []byte
	carry := 0
	for range frames {
		h := uint32(0xFFFB9064)
		if carry += 47; carry >= 49 {
			carry -= 49
			h |= 1 << 9
		}
		f, _ := ParseFrame(h)
		b := make([]byte, f.Length())
		binary.BigEndian.PutUint32(b, h)
		out = append(out, b...)
	}
	return out
}

func TestTimesOfMPEG(t *testing.T) {
	tag := append([]byte("ID3\x04\x00\x00\x00\x00\x02\x01"), make([]byte, 257)...)
	data := append(tag, song(2000)...)
	perFrame := 1152.0 / 44100
	// 2,048 bytes in the middle, and a sector near the end.
	gaps := []Range{{Start: 409_600, Count: 2048}, {Start: 800_256, Count: 512}}
	kind, times := Times(holed{data, gaps}, int64(len(data)), gaps)
	if kind != "mpeg" || len(times) != 2 {
		t.Fatalf("%q, %v", kind, times)
	}
	for i, g := range gaps {
		from := float64(g.Start-267) / 16_000
		to := float64(g.Start+g.Count-267) / 16_000
		if d := from - times[i].From.Seconds(); d < 0 || d > perFrame {
			t.Errorf("gap %d begins at %v, the bytes at %.4f s", i, times[i].From, from)
		}
		if d := times[i].To.Seconds() - to; d < -0.001 || d > 2*perFrame {
			t.Errorf("gap %d ends at %v, the bytes at %.4f s", i, times[i].To, to)
		}
	}
}

func TestTimesOfMPEGBehindTheLastFrame(t *testing.T) {
	data := song(100)
	gap := []Range{{Start: int64(len(data)) - 1000, Count: 1000}}
	kind, times := Times(holed{data, gap}, int64(len(data)), gap)
	if want := 2612245 * time.Microsecond; kind != "mpeg" || (times[0].To-want).Abs() > 27*time.Millisecond {
		t.Errorf("%q, %v, want the end at %v (100 frames of 1,152 samples)", kind, times, want)
	}
}

// The 16 bytes of the format are those of 44.1 kHz, 16 bits, two channels:
// 01 00 02 00 44 AC 00 00 10 B1 02 00 04 00 10 00.
func TestTimesOfWAV(t *testing.T) {
	head := "RIFF\x00\x00\x00\x00WAVEfmt \x10\x00\x00\x00" +
		"\x01\x00\x02\x00\x44\xac\x00\x00\x10\xb1\x02\x00\x04\x00\x10\x00" + "LIST\x03\x00\x00\x00abc\x00" + "data\x10\xb1\x02\x00"
	data := append([]byte(head), make([]byte, 176_400)...)
	gap := []Range{{Start: int64(len(head)) + 88_201, Count: 4}, {Start: int64(len(head)) + 176_000, Count: 9000}}
	kind, times := Times(holed{data, gap}, int64(len(data)), gap)
	if kind != "wav" || times[0] != (Span{500 * time.Millisecond, times[0].To}) || times[1].To != time.Second {
		t.Fatalf("%q, %v", kind, times)
	}
	if got := (times[0].To - times[0].From).Seconds() * 44_100; got < 1.99 || got > 2.01 {
		t.Errorf("four bytes that touch two samples spoil %.2f", got)
	}
}

func TestWhatIsNoRecording(t *testing.T) {
	for name, data := range map[string][]byte{
		"empty":         nil,
		"zeros":         make([]byte, 10_000),
		"one header":    append([]byte{0xFF, 0xFB, 0x90, 0x64}, make([]byte, 10_000)...),
		"headless RIFF": []byte("RIFF\x00\x00\x00\x00WAVE"),
		"endless chunk": append([]byte("RIFF\x00\x00\x00\x00WAVELIST\xff\xff\xff\xff"), make([]byte, 100)...),
	} {
		if kind, _ := Times(holed{data: data}, int64(len(data)), nil); kind != "" {
			t.Errorf("%s is taken for %s", name, kind)
		}
	}
	gap := []Range{{Start: 0, Count: 512}}
	data := append([]byte("RIFF\x00\x00\x00\x00WAVE"), make([]byte, 2000)...)
	if kind, _ := Times(holed{data, gap}, int64(len(data)), gap); kind != "" {
		t.Errorf("without its beginning it is taken for %s", kind)
	}
}

func FuzzTimes(f *testing.F) {
	f.Add(song(20), uint16(3000), uint16(600))
	f.Add([]byte("RIFF\x00\x00\x00\x00WAVEfmt \x10\x00\x00\x00"), uint16(0), uint16(1))
	f.Fuzz(func(t *testing.T, data []byte, off, n uint16) {
		gap := []Range{{Start: int64(off), Count: int64(n)}}
		kind, times := Times(holed{data, gap}, int64(len(data)), gap)
		for _, s := range times {
			if s.From < 0 || s.To < s.From {
				t.Fatalf("%s: %v", kind, s)
			}
		}
	})
}
