package sound

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math"

	"bootgraft/image"
	"bootgraft/image/capture/audio"
	"bootgraft/image/disk"
)

// frame is one frame of packed sound, of MPEG audio or of ADTS.
type frame struct {
	kind     Kind
	length   int64 // bytes, header and all
	samples  int64 // of each channel
	rate     int
	channels int
	same     uint32 // what does not change inside one stream
}

// headerBytes is how much of a frame says how long it is: 6 bytes of ADTS.
const headerBytes = 6

// second are the bytes that can follow FF in a header: eleven bits of 1, then version and
// layer. Layer 1 (no recorder writes it) and the reserved version are left out; of ADTS
// (layer 0) the twelfth bit is 1 too.
var second = func() (ok [256]bool) {
	for b := 0xE0; b < 256; b++ {
		version, layer := b>>3&3, b>>1&3
		ok[b] = version != 1 && (layer == 1 || layer == 2) || b&0xF6 == 0xF0
	}
	return ok
}()

// parseHeader reads the header of a frame: of MPEG audio, layer 2 or 3 (ISO/IEC 11172-3,
// 2.4.1.3), or the fixed and variable header of ADTS (ISO/IEC 13818-7, 6.2; its order of
// fields and table of rates from memory).
func parseHeader(b []byte) (f frame, ok bool) {
	if b[0] != 0xFF || !second[b[1]] {
		return f, false
	}
	h := binary.BigEndian.Uint32(b)
	if b[1]&0x06 != 0 {
		m, ok := audio.ParseFrame(h)
		if !ok {
			return f, false
		}
		same := h & 0xFFFF_0CC0 // all but bit rate, padding and what concerns stereo
		if m.Channels == 2 {
			same &^= 0xC0 // joint stereo comes and goes
		}
		return frame{MPEG, m.Length(), m.Samples(), m.Rate, m.Channels, same}, true
	}
	rate, channels := int(b[2]>>2&15), int(b[2]&1)<<2|int(b[3]>>6)
	length := int64(b[3]&3)<<11 | int64(b[4])<<3 | int64(b[5]>>5)
	if rate >= len(adtsRates) || length < 7 || channels == 0 {
		return f, false
	}
	if channels == 7 {
		channels = 8
	}
	return frame{ADTS, length, 1024, adtsRates[rate], channels, h & 0xFFFF_FDC0}, true
}

var adtsRates = []int{96000, 88200, 64000, 48000, 44100, 32000, 24000, 22050, 16000, 12000, 11025, 8000, 7350}

// Bars of a chain of frames. By hand, no source.
const (
	minFrames  = 8
	linkBits   = 17      // what one more header in its place says: 11 of the sync, version, layer, rate
	resyncing  = 8 << 10 // bytes behind missing sectors in which the next frame must begin
	resyncLink = 3       // frames that must follow there
	wordBytes  = 4       // bytes of the longest word that is turned round
)

// view reads a few bytes of a disk in one order of words through one buffer.
type view struct {
	src  *image.Lens
	end  int64
	buf  []byte
	at   int64
	have int // bytes of buf
}

// view returns the view of the disk in one order of words, up to byte end.
func (f *finder) view(o image.Order, end int64) *view {
	v := f.views[o]
	if v == nil {
		v = &view{src: image.NewLens(f.src, o), buf: make([]byte, 32<<10)}
		f.views[o] = v
	}
	v.end = end
	return v
}

// bytes returns n bytes at off, nil where they are missing or lie behind the end.
func (v *view) bytes(off int64, n int) []byte {
	if off < 0 || off > v.end-int64(n) {
		return nil
	}
	if off >= v.at && off+int64(n) <= v.at+int64(v.have) {
		return v.buf[off-v.at:][:n]
	}
	from := off &^ (wordBytes - 1) // whole words are read into buf itself
	skip := int(off - from)
	for _, want := range []int{len(v.buf), 512, (skip + n + wordBytes - 1) &^ (wordBytes - 1)} {
		if want = int(min(int64(want), v.end-from)); want < skip+n {
			continue
		}
		if image.ReadFull(v.src, v.buf[:want], from) == nil {
			v.at, v.have = from, want
			return v.buf[skip:][:n]
		}
	}
	v.have = 0
	return nil
}

func (v *view) frame(off int64) (frame, bool) {
	b := v.bytes(off, headerBytes)
	if b == nil {
		return frame{}, false
	}
	return parseHeader(b)
}

// frames looks for a chain of frames that begins in the first n bytes of b, at byte at of the
// disk, and returns the first one.
func (f *finder) frames(b []byte, n, at, end int64) (run Run, ok bool) {
	for i := 0; ; i++ {
		hit := bytes.IndexByte(b[i:max(i, int(n))], 0xFF)
		if hit < 0 {
			return run, false
		}
		i += hit
		for _, o := range []image.Order{image.Plain, image.Swap16, image.Swap32} {
			turn := int(o) - 1 // a word turned round: the place of a byte with these bits flipped
			p := i ^ turn
			if p+headerBytes > len(b)-4 || !second[b[(p+1)^turn]] || at+int64(p) < f.end {
				continue
			}
			var head [headerBytes]byte
			for k := range head {
				head[k] = b[(p+k)^turn]
			}
			if first, ok := parseHeader(head[:]); ok && followed(b, p, turn, first) {
				if run, ok := f.chain(first, at+int64(p), end, o); ok {
					return run, true
				}
			}
		}
	}
}

// followed tells whether the next header, if it still lies in b, can follow the first one.
func followed(b []byte, p, turn int, first frame) bool {
	next := p + int(first.length)
	if next+headerBytes > len(b)-4 {
		return true
	}
	var head [headerBytes]byte
	for k := range head {
		head[k] = b[(next+k)^turn]
	}
	g, ok := parseHeader(head[:])
	return ok && g.same == first.same && g.kind == first.kind
}

// chain follows frames from byte at on, and across missing sectors.
func (f *finder) chain(first frame, at, end int64, o image.Order) (run Run, ok bool) {
	v := f.view(o, end)
	frames, seconds, now, links := 0, 0.0, first, 0
	lengths, live := int64(0), 0
	var last [liveBytes]byte
	for next := at; ; {
		if b := v.bytes(next+headerBytes, liveBytes); b != nil {
			if nullBits(b) > liveBits*liveBytes && alikeBytes(b, last[:]) < liveBytes/4 {
				live++
			}
			copy(last[:], b)
		}
		next += now.length
		frames++
		seconds += float64(now.samples) / float64(now.rate)
		lengths += now.length
		g, ok := v.frame(next)
		if ok && g.same == first.same && g.kind == first.kind {
			now = g
			links++
			continue
		}
		to, ok := f.resync(v, first, next)
		if !ok {
			run.Count = min(next, end) - at
			break
		}
		lost := float64(to-next) / (float64(lengths) / float64(frames)) // frames
		seconds += lost * float64(now.samples) / float64(now.rate)
		next = to
		if now, ok = v.frame(next); !ok {
			run.Count = next - at
			break
		}
	}
	if links < minFrames-1 || live < minFrames || seconds < minSeconds {
		return run, false
	}
	run.Start, run.Kind, run.Seconds = at, first.kind, seconds
	run.Data = Range{at, run.Count}
	run.Format = Format{Rate: first.rate, Channels: first.channels, Swap: o}
	run.Evidence = math.Round(float64(links*linkBits) - math.Log2(float64(at+2)) - 2)
	name := "MPEG audio"
	if first.kind == ADTS {
		name = "ADTS"
	}
	run.Why = fmt.Sprintf("%d frames of %s, and the length of each leads to the next", frames, name)
	run.setMissing(f.src)
	return run, true
}

// A frame is live if its content looks packed and is another than that of the frame before:
// patterns, tables and code that repeats itself have headers at every distance too. Frames of
// silence are not live, and do not count against others.
const (
	liveBytes = 96
	liveBits  = 7 // of 8, in the null code
)

// alikeBytes returns how many bytes are the same in both.
func alikeBytes(a, b []byte) (n int) {
	for i := range a {
		if a[i] == b[i] {
			n++
		}
	}
	return n
}

// resync finds the next frame of a stream where sectors are missing at byte at.
func (f *finder) resync(v *view, first frame, at int64) (int64, bool) {
	n := int64(f.src.SectorSize())
	s := disk.Sector(at / n)
	lost := image.Unknown(f.src, disk.Span{Start: s, Count: 2})
	if at >= v.end || len(lost) == 0 {
		return 0, false
	}
	// The missing run may be long: it is followed to its end, but not beyond what sounds.
	gap := image.Unknown(f.src, disk.Span{Start: lost[0].Start, Count: disk.Sector(maxLost / n)})[0]
	from := int64(gap.End()) * n
	for to := from; to < min(v.end, from+resyncing); to++ {
		g, ok := v.frame(to)
		if !ok || g.same != first.same {
			continue
		}
		next, links := to, 0
		for links < resyncLink {
			next += g.length
			if g, ok = v.frame(next); !ok || g.same != first.same {
				break
			}
			links++
		}
		if links == resyncLink {
			return to, true
		}
	}
	return 0, false
}

// maxLost is the longest run of missing sectors inside one recording, in bytes. By hand, no source.
const maxLost = 1 << 20
