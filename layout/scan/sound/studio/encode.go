package studio

import (
	"math"
	"math/rand/v2"

	"bootgraft/layout/scan/sound"
)

// Recording is tracks as numbers, and the form in which they go onto a disk.
type Recording struct {
	Format sound.Format
	tracks [][]int32 // signed, of Format.Bits
}

// Record turns tracks into samples with noise of one step added before they are rounded,
// as converters of the time did (common practice, no source). Digital silence stays so.
func Record(r *rand.Rand, f sound.Format, tracks [][]float64) *Recording {
	rec := &Recording{Format: f, tracks: make([][]int32, len(tracks))}
	top := math.Ldexp(1, f.Bits-1) - 1
	for c, track := range tracks {
		rec.tracks[c] = make([]int32, len(track))
		for i, x := range track {
			if x != 0 {
				x = min(top, max(-top-1, math.Round(x*top+r.Float64()-r.Float64())))
			}
			rec.tracks[c][i] = int32(x)
		}
	}
	return rec
}

// Samples returns how many samples each track has.
func (rec *Recording) Samples() int { return len(rec.tracks[0]) }

// Bytes returns the recording as it lies on a disk from byte at: interleaved by sample or
// by block, and with its words turned. Of a block at the end that is not full the rest is
// silence.
func (rec *Recording) Bytes(at int64) []byte {
	f := rec.Format
	per := 1 // samples of one track that lie together
	if f.Block > 0 {
		per = int(f.Block) / f.Width
	}
	var out []byte
	for from := 0; from < rec.Samples(); from += per {
		for _, track := range rec.tracks {
			for i := from; i < from+per; i++ {
				x := int32(0)
				if i < len(track) {
					x = track[i]
				}
				out = append(out, word(f, x)...)
			}
		}
	}
	turn(out, at, int(f.Swap))
	return out
}

// word writes one sample as it lies on a disk.
func word(f sound.Format, x int32) []byte {
	u := uint32(x)
	if f.Unsigned {
		u += 1 << (f.Bits - 1)
	}
	if !f.Low {
		u <<= 8 * (f.Width - f.Bits/8)
	}
	b := make([]byte, f.Width)
	for i := range b {
		k := i
		if f.Order == sound.Big {
			k = f.Width - 1 - i
		}
		b[k] = byte(u >> (8 * i))
	}
	return b
}

// turn reverses words of n bytes, counted from byte 0 of the disk; b begins at byte at. A
// word of which only a part is in b stays as it is.
func turn(b []byte, at int64, n int) {
	if n < 2 {
		return
	}
	for i := (n - int(at%int64(n))) % n; i+n <= len(b); i += n {
		for k := range n / 2 {
			b[i+k], b[i+n-1-k] = b[i+n-1-k], b[i+k]
		}
	}
}

// PCM returns the samples as a WAVE file has them: little-endian, one of each track in
// turn, 8 bits unsigned.
func (rec *Recording) PCM() []byte {
	var out []byte
	for i := range rec.Samples() {
		for _, track := range rec.tracks {
			u := uint32(track[i])
			if rec.Format.Bits == 8 {
				u += 128
			}
			for k := range rec.Format.Bits / 8 {
				out = append(out, byte(u>>(8*k)))
			}
		}
	}
	return out
}
