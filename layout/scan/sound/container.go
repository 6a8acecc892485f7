package sound

import (
	"encoding/binary"
	"fmt"
	"math"

	"bootgraft/image"
)

// magic is how a container begins, as it stands on a disk with turned words.
type magic struct {
	text []byte
	id   string
	swap image.Order
}

// magics are all first words of containers in all orders of words.
var magics = func() (out []magic) {
	for _, id := range []string{"RIFF", "RF64", "FORM"} {
		for _, o := range []image.Order{image.Plain, image.Swap16, image.Swap32} {
			text := []byte(id)
			o.Turn(text)
			out = append(out, magic{text, id, o})
		}
	}
	return out
}()

// mayBegin tells whether a magic may begin with this byte.
func mayBegin(b byte) bool {
	return b == 'R' || b == 'F' || b == 'I' || b == 'O' || b == 'M' || b == '4'
}

// container reads the container that begins at byte at, if its lengths hold and it ends
// before end.
func (f *finder) container(at, end int64, m magic) (run Run, ok bool) {
	c := &chunks{view: f.view(m.swap, end), order: binary.LittleEndian}
	switch m.id {
	case "FORM":
		c.order = binary.BigEndian
		run, ok = c.aiff(at)
	default:
		run, ok = c.wave(at, m.id == "RF64")
	}
	if !ok {
		return run, false
	}
	run.Format.Swap = m.swap
	run.setMissing(f.src)
	run.Why += f.torn(&run)
	return run, true
}

// tornPlaces is at how many places the samples of a container are tried, tornShare which share
// of them makes a doubt. By hand, no source.
const (
	tornPlaces = 24
	tornShare  = 1.0 / 8
)

// torn looks whether what a header promises reads as its samples, and returns the words for it
// if it does not. A length holds as well where the file goes on elsewhere.
func (f *finder) torn(run *Run) string {
	r := reading{run.Format, run.Data.Start}
	if run.Format.Check() != nil || r.Channels > maxLanes || r.Bits == 32 {
		return ""
	}
	tried, against := 0, 0
	err := f.sample(run.Data.Start, run.Data.End(), 2*pieceBytes, tornPlaces, func(b []byte, at int64) {
		null, bytes := nullBits(b), float64(len(b))
		gain := (null - r.cost(&f.judge.work, b, at)) / bytes
		tried++
		// bytes of nearly eight bits each are packed or random, and samples must save something of them:
		// by hand, no source
		if gain < barBad || gain < 0.01 && null > 7.8*bytes {
			against++
		}
	})
	if err != nil || float64(against) <= tornShare*float64(tried) {
		return ""
	}
	return fmt.Sprintf("; %d of %d places in it do not read as its samples: it may not lie in one piece", against, tried)
}

// maxChunks bounds how many chunks one container may have. By hand, no source.
const maxChunks = 1 << 10

// chunks walks from chunk to chunk of one container.
type chunks struct {
	*view
	order binary.ByteOrder
	long  map[string]int64 // lengths that stand elsewhere, by the name of their chunk
}

// walk visits the chunks from at to end, which their lengths must meet exactly, and
// returns how many there are. A chunk begins at an even distance from the first; the last
// one may lack its byte of padding.
func (c *chunks) walk(at, end int64, visit func(id string, at, n int64) bool) (count int, ok bool) {
	for at < end {
		h := c.bytes(at, 8)
		if h == nil || count == maxChunks || !printable(h[:4]) {
			return count, false
		}
		id, n := string(h[:4]), int64(c.order.Uint32(h[4:]))
		if long, ok := c.long[id]; ok && n == math.MaxUint32 {
			n = long
		}
		if n > end-at-8 || !visit(id, at+8, n) {
			return count, false
		}
		at += 8 + n
		if at < end {
			at += n & 1
		}
		count++
	}
	return count, at == end
}

// printable tells whether b can be the name of a chunk.
func printable(b []byte) bool {
	for _, x := range b {
		if x < ' ' || x > '~' {
			return false
		}
	}
	return true
}

// minContainer is the shortest length that a header may give: a form, a description and
// an empty chunk of samples.
const minContainer = 4 + 8 + 16 + 8

// wave reads a RIFF file of type WAVE: Multimedia Programming Interface and Data
// Specifications 1.0 (1991), chapter 2 for RIFF and chapter 3 for WAVE. RF64 has its
// lengths in a chunk "ds64" (EBU Tech 3306, from memory).
func (c *chunks) wave(at int64, long bool) (run Run, ok bool) {
	h := c.bytes(at, 12)
	if h == nil || string(h[8:]) != "WAVE" {
		return run, false
	}
	size := int64(c.order.Uint32(h[4:]))
	run.Kind = Wave
	if long {
		run.Kind = RF64
		b := c.bytes(at+12, 8+16)
		if b == nil || string(b[:4]) != "ds64" {
			return run, false
		}
		size = int64(binary.LittleEndian.Uint64(b[8:]))
		c.long = map[string]int64{"data": int64(binary.LittleEndian.Uint64(b[16:]))}
		if c.long["data"] < 0 {
			return run, false
		}
	}
	if size < minContainer || size > c.end-at-8 {
		return run, false
	}
	run.Start, run.Count = at, 8+size
	perSecond := int64(0)
	n, ok := c.walk(at+12, at+8+size, func(id string, at, n int64) bool {
		switch id {
		case "fmt ":
			perSecond, ok = c.waveFormat(at, n, &run.Format)
			return ok
		case "data":
			run.Data = Range{at, n}
		}
		return true
	})
	if !ok || perSecond == 0 || run.Data.Start == 0 {
		return run, false
	}
	run.Seconds = float64(run.Data.Count) / float64(perSecond)
	run.Evidence = lengthBits(n)
	run.Why = fmt.Sprintf("a header of type WAVE, and the lengths of its %d chunks add up to its own, %d bytes", n, size)
	return run, true
}

// waveFormat reads a "fmt " chunk and returns the bytes of a second.
func (c *chunks) waveFormat(at, n int64, f *Format) (perSecond int64, ok bool) {
	b := c.bytes(at, 16)
	if b == nil || n < 16 {
		return 0, false
	}
	le := binary.LittleEndian
	tag := le.Uint16(b)
	f.Channels, f.Rate = int(le.Uint16(b[2:])), int(le.Uint32(b[4:]))
	perSecond = int64(le.Uint32(b[8:]))
	align, bits := int(le.Uint16(b[12:])), int(le.Uint16(b[14:]))
	if tag == waveExtensible && n >= 40 {
		if e := c.bytes(at+24, 2); e != nil {
			tag = le.Uint16(e)
		}
	}
	if f.Channels < 1 || f.Channels > MaxChannels || f.Rate < 1 || f.Rate > MaxRate || perSecond < 1 || align < 1 {
		return 0, false
	}
	if tag != wavePCM {
		f.Codec = fmt.Sprintf("WAVE format %04Xh", tag)
		return perSecond, true
	}
	f.Width, f.Bits = align/f.Channels, (bits+7)/8*8
	f.Order, f.Unsigned = Little, f.Bits == 8
	if align%f.Channels != 0 || perSecond != int64(f.Rate)*int64(align) || f.Check() != nil {
		return 0, false
	}
	return perSecond, true
}

// The format tags of WAVE that are read here.
const (
	wavePCM        = 1
	waveExtensible = 0xFFFE // the tag proper stands in the first bytes of SubFormat
)

// aiff reads an AIFF or AIFF-C file: Audio Interchange File Format 1.3 (1989) and AIFF-C
// (1991, from memory). Chunks have even lengths, as in EA IFF 85.
func (c *chunks) aiff(at int64) (run Run, ok bool) {
	h := c.bytes(at, 12)
	switch {
	case h == nil:
		return run, false
	case string(h[8:]) == "AIFF":
		run.Kind = AIFF
	case string(h[8:]) == "AIFC":
		run.Kind = AIFC
	default:
		return run, false
	}
	size := int64(c.order.Uint32(h[4:]))
	if size < minContainer || size > c.end-at-8 {
		return run, false
	}
	run.Start, run.Count = at, 8+size
	frames := int64(-1)
	n, ok := c.walk(at+12, at+8+size, func(id string, at, n int64) bool {
		switch id {
		case "COMM":
			frames, ok = c.common(at, n, run.Kind, &run.Format)
			return ok
		case "SSND":
			run.Data, ok = c.soundData(at, n)
			return ok
		}
		return true
	})
	if !ok || frames <= 0 || run.Data.Start == 0 {
		return run, false
	}
	if f := &run.Format; f.Codec == "" {
		if frames > run.Data.Count/f.Frame() {
			return run, false
		}
		run.Data.Count = frames * f.Frame()
	}
	run.Seconds = float64(frames) / float64(run.Format.Rate)
	run.Evidence = lengthBits(n)
	run.Why = fmt.Sprintf("a header of type %s, and the lengths of its %d chunks add up to its own, %d bytes",
		run.Kind, n, size)
	return run, true
}

// soundData reads the head of an "SSND" chunk and returns where its samples lie.
func (c *chunks) soundData(at, n int64) (Range, bool) {
	b := c.bytes(at, 8)
	if b == nil || n < 8 {
		return Range{}, false
	}
	offset := int64(c.order.Uint32(b))
	return Range{at + 8 + offset, n - 8 - offset}, offset <= n-8
}

// common reads a "COMM" chunk and returns how many samples each channel has.
func (c *chunks) common(at, n int64, kind Kind, f *Format) (frames int64, ok bool) {
	b := c.bytes(at, 18)
	if b == nil || n < 18 {
		return 0, false
	}
	be := binary.BigEndian
	f.Channels, frames = int(be.Uint16(b)), int64(be.Uint32(b[2:]))
	bits := int(be.Uint16(b[6:]))
	if f.Rate, ok = extended(b[8:18]); !ok || f.Channels < 1 || f.Channels > MaxChannels {
		return 0, false
	}
	f.Bits, f.Order = (bits+7)/8*8, Big
	f.Width = f.Bits / 8
	if kind == AIFC {
		b := c.bytes(at+18, 4)
		if b == nil || n < 22 {
			return 0, false
		}
		switch id := string(b); id {
		case "NONE", "twos":
		case "sowt":
			f.Order = Little
		default:
			f.Codec = fmt.Sprintf("AIFF-C %q", id)
			return frames, true
		}
	}
	return frames, f.Check() == nil
}

// extended reads a rate from an 80-bit number of IEEE 754-1985: sign and exponent with a
// bias of 16383, then 64 bits of which the first is the unit.
func extended(b []byte) (rate int, ok bool) {
	power := int(binary.BigEndian.Uint16(b)) - 16383
	if power < 0 || power > 31 {
		return 0, false
	}
	rate = int(binary.BigEndian.Uint64(b[2:]) >> (63 - power))
	return rate, rate > 0 && rate <= MaxRate
}

// lengthBits is the evidence of a container: 96 bits of two names and a length that hits
// one byte, less 32 for each place of the disk that may be tried, and the two bits of the
// orders of words; each further chunk has a name and a length of its own.
func lengthBits(chunks int) float64 {
	return math.Round(96 - 34 + 16*math.Log2(float64(max(1, chunks))))
}
