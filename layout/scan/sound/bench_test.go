package sound_test

import (
	"context"
	"io"
	"maps"
	"slices"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout/scan/sound"
	"bootgraft/layout/scan/sound/studio"
)

// flat is an image in memory, as fast as one can be.
type flat []byte

func (f flat) ReadAt(p []byte, off int64) (int, error) {
	if off >= int64(len(f)) {
		return 0, io.EOF
	}
	n := copy(p, f[off:])
	if n < len(p) {
		return n, io.EOF
	}
	return n, nil
}
func (f flat) Size() int64   { return int64(len(f)) }
func (flat) SectorSize() int { return 512 }

func benchmarkFind(b *testing.B, make func(s *shelf)) {
	s := newShelf(3)
	make(s)
	src := flat(s.bytes)
	b.SetBytes(int64(len(src)))
	for b.Loop() {
		if _, err := sound.Find(context.Background(), src, []disk.Span{image.Whole(src)}, sound.Options{}); err != nil {
			b.Fatal(err)
		}
	}
}

var stereo = sound.Format{Bits: 16, Width: 2, Order: sound.Little, Channels: 2}

func BenchmarkFindSound(b *testing.B) {
	benchmarkFind(b, func(s *shelf) { s.record(stereo, "", 120) })
}

func BenchmarkFindTracks(b *testing.B) {
	f := stereo
	f.Channels = 24
	benchmarkFind(b, func(s *shelf) { s.record(f, "", 10) })
}

func BenchmarkFindNoise(b *testing.B) {
	benchmarkFind(b, func(s *shelf) { s.bytes = studio.Noise(s.r, 16<<20) })
}

// BenchmarkFindMixed is of a disk that is a third sound, a third other things of every kind, and a third blank.
func BenchmarkFindMixed(b *testing.B) {
	benchmarkFind(b, func(s *shelf) {
		s.record(stereo, "", 130)
		for _, name := range slices.Sorted(maps.Keys(studio.Decoys)) {
			s.bytes = append(s.bytes, studio.Decoys[name](s.r, 1<<20)...)
		}
		s.blank(24 << 20)
	})
}

func BenchmarkDecoys(b *testing.B) {
	for _, name := range slices.Sorted(maps.Keys(studio.Decoys)) {
		b.Run(name, func(b *testing.B) {
			benchmarkFind(b, func(s *shelf) { s.bytes = studio.Decoys[name](s.r, 4<<20) })
		})
	}
}

// BenchmarkRead is the plain read that the others are held against: every byte is
// fetched and looked at once.
func BenchmarkRead(b *testing.B) {
	s := newShelf(3)
	s.bytes = studio.Noise(s.r, 64<<20)
	src := flat(s.bytes)
	buf := make([]byte, 1<<20)
	b.SetBytes(int64(len(src)))
	for b.Loop() {
		for at := int64(0); at < src.Size(); at += int64(len(buf)) {
			if err := image.ReadFull(src, buf, at); err != nil {
				b.Fatal(err)
			}
		}
	}
}
