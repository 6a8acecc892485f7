package audio

import (
	"encoding/binary"
	"errors"
	"io"
	"time"
)

// Range is a run of bytes of a file.
type Range struct{ Start, Count int64 }

// Span is a stretch of a recording.
type Span struct {
	From time.Duration
	To   time.Duration
}

// Times returns, for each missing run of bytes of a file of size bytes, the
// stretch of time that it spoils, and the kind of recording: "mpeg" or "wav".
// Without a kind the file is no recording that this package knows, or its
// beginning is missing. r fails on missing bytes, as a capture does; what lies
// in a gap of MPEG audio is reckoned from the frames before it.
func Times(r io.ReaderAt, size int64, missing []Range) (kind string, times []Span) {
	w := &window{r: r, size: size}
	if h, ok := parseWAV(w); ok {
		for _, m := range missing {
			times = append(times, h.span(m))
		}
		return "wav", times
	}
	if times, ok := mpegTimes(w, missing); ok {
		return "mpeg", times
	}
	return "", nil
}

// window reads small pieces of a file through one buffer.
type window struct {
	r    io.ReaderAt
	size int64
	buf  [64 << 10]byte
	at   int64
	n    int
}

// bytes returns n bytes at off, or nil if they are missing or behind the end.
func (w *window) bytes(off int64, n int) []byte {
	if off < 0 || off > w.size-int64(n) {
		return nil
	}
	if off >= w.at && off+int64(n) <= w.at+int64(w.n) {
		return w.buf[off-w.at:][:n]
	}
	// A large read fails for one missing sector in it; then a small one has to do.
	for _, want := range []int{len(w.buf), sector, n} {
		if want = int(min(int64(want), w.size-off)); want < n {
			continue
		}
		if got, err := w.r.ReadAt(w.buf[:want], off); got == want && (err == nil || errors.Is(err, io.EOF)) {
			w.at, w.n = off, want
			return w.buf[:n]
		}
	}
	w.n = 0
	return nil
}

func (w *window) header(off int64) (Frame, bool) {
	b := w.bytes(off, 4)
	if b == nil {
		return Frame{}, false
	}
	return ParseFrame(binary.BigEndian.Uint32(b))
}

// sector is the smallest run of bytes that can be missing.
const sector = 512

// maxSearch is how far a first frame is looked for, in bytes.
const maxSearch = 1 << 20

// follow is how many headers must follow at the computed distances.
const follow = 3

// find looks for a frame that others follow.
func (w *window) find(off, most int64) (at int64, f Frame, ok bool) {
	for at = off; at < min(w.size, off+most); at++ {
		if w.bytes(at, 4) == nil { // missing: on to the next sector
			at |= sector - 1
			continue
		}
		if f, ok = w.header(at); ok && w.followed(at, f) {
			return at, f, true
		}
	}
	return 0, f, false
}

func (w *window) followed(at int64, f Frame) bool {
	for range follow {
		at += f.Length()
		if at == w.size {
			return true
		}
		g, ok := w.header(at)
		if !ok || !f.goesWith(g) {
			return false
		}
		f = g
	}
	return true
}

// walk goes from frame to frame, and across gaps.
type walk struct {
	w      *window
	first  Frame
	at     int64
	frames float64
	bytes  int64 // of Frames that were seen
	seen   int64
}

func mpegTimes(w *window, missing []Range) (times []Span, ok bool) {
	start := id3v2(w.bytes(0, 10))
	at, f, ok := w.find(start, maxSearch)
	if !ok {
		return nil, false
	}
	k := &walk{w: w, first: f, at: at}
	for _, m := range missing {
		k.until(m.Start, false)
		from := k.now()
		k.until(m.Start+m.Count, true)
		times = append(times, Span{from, k.now()})
	}
	return times, true
}

func (k *walk) now() time.Duration { return k.first.duration(k.frames) }

// until stops at the frame that holds byte off, or with past at the first that
// begins at or after it.
func (k *walk) until(off int64, past bool) {
	for k.at < off {
		f, ok := k.w.header(k.at)
		if !ok || !k.first.goesWith(f) {
			if !k.jump() {
				k.guess(off)
				return
			}
			continue
		}
		if !past && k.at+f.Length() > off {
			return
		}
		k.at += f.Length()
		k.frames++
		k.bytes += f.Length()
		k.seen++
	}
}

// jump goes on at the next frame that others follow, and reckons how many lie
// between.
func (k *walk) jump() bool {
	at, f, ok := k.w.find(k.at+1, k.w.size)
	if !ok || !k.first.goesWith(f) {
		return false
	}
	k.frames += k.reckon(at - k.at)
	k.at = at
	return true
}

// guess is for what no frame follows any more: a tag, or the end.
func (k *walk) guess(off int64) {
	off = min(off, k.w.size)
	k.frames += k.reckon(off - k.at)
	k.at = off
}

// reckon returns how many frames n bytes hold, by the average so far.
func (k *walk) reckon(n int64) float64 {
	average := float64(k.first.Length())
	if k.seen > 0 {
		average = float64(k.bytes) / float64(k.seen)
	}
	return float64(int64(float64(n)/average + 0.5))
}
