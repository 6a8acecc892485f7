package rescue

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/image/imagetest/need"
	"bootgraft/layout/scan/sound"
	"bootgraft/layout/scan/sound/tracks"
)

// laid returns samples as a format lays them down, and as signed little-endian numbers in
// turn, which is what sox is asked for.
func laid(f sound.Format, frames int) (stored, want []byte) {
	r := rand.New(rand.NewPCG(uint64(f.Bits), uint64(f.Channels)))
	n := f.Bits / 8
	one := make([][]byte, f.Channels) // of each channel, as it is stored
	for range frames {
		for c := range f.Channels {
			v := int32(r.Uint32()) >> (32 - f.Bits)
			low := binary.LittleEndian.AppendUint32(nil, uint32(v))[:n]
			want = append(want, low...)
			s := make([]byte, f.Width)
			copy(s[f.Width-n:], low)
			if f.Low {
				s = append(bytes.Clone(low), make([]byte, f.Width-n)...)
			}
			if f.Unsigned {
				s[len(s)-1] ^= 0x80
			}
			if f.Order == sound.Big {
				for i, j := 0, len(s)-1; i < j; i, j = i+1, j-1 {
					s[i], s[j] = s[j], s[i]
				}
			}
			one[c] = append(one[c], s...)
		}
	}
	step := f.Width
	if f.Block > 0 {
		step = int(f.Block)
	}
	for at := 0; at < len(one[0]); at += step {
		for c := range one {
			stored = append(stored, one[c][at:at+step]...)
		}
	}
	f.Swap.Turn(stored)
	return stored, want
}

// TestSamplesBySox: what is written is read by sox (14.4.2) as the samples that were laid
// down, whatever their form on the disk; what is missing is silence, and nothing is cut.
func TestSamplesBySox(t *testing.T) {
	sox := need.Tool(t, "sox")
	forms := []sound.Format{
		{Bits: 8, Width: 1, Unsigned: true, Channels: 1}, {Bits: 8, Width: 1, Channels: 2},
		{Bits: 16, Width: 2, Channels: 1}, {Bits: 16, Width: 2, Order: sound.Big, Channels: 2},
		{Bits: 16, Width: 2, Channels: 2, Swap: image.Swap16}, {Bits: 16, Width: 2, Channels: 8, Block: 2048},
		{Bits: 24, Width: 3, Channels: 2}, {Bits: 24, Width: 3, Order: sound.Big, Channels: 1},
		{Bits: 24, Width: 4, Channels: 2, Swap: image.Swap32}, {Bits: 24, Width: 4, Low: true, Channels: 24},
		{Bits: 24, Width: 3, Channels: 4, Block: 1536}, {Bits: 32, Width: 4, Order: sound.Big, Channels: 2},
	}
	for i, f := range forms {
		if f.Order == "" {
			f.Order = sound.Little
		}
		f.Rate = 44100
		stored, want := laid(f, 6144)
		all := make([]byte, 64*512+len(stored)+4096)
		copy(all[64*512:], stored)
		lost := disk.Spans{{Start: 70, Count: 3}}
		src := image.NewKnown(imagetest.NewBytes(all, 512), lost, nil)
		run := sound.Run{Start: 64 * 512, Count: int64(len(stored)), Kind: sound.PCM, Format: f,
			Data: sound.Range{Start: 64 * 512, Count: int64(len(stored))}, Seconds: 6144.0 / 44100}.In(src)
		tr := tracks.Track{Run: run, Number: i + 1, Pieces: []disk.Span{{Start: 64, Count: disk.Sector(len(stored) / 512)}}, Source: src}
		// The same bytes, silence laid down where they are missing.
		silent := bytes.Clone(stored)
		for j := 6 * 512; j < 9*512; j++ {
			silent[j] = 0
			if f.Unsigned {
				silent[j] = 0x80
			}
		}
		want = silentWant(f, stored, silent, want)
		into, err := NewFolder(filepath.Join(t.TempDir(), "heard"))
		if err != nil {
			t.Fatal(err)
		}
		w, err := WriteTracks(context.Background(), []tracks.Track{tr}, into, nil)
		if err != nil {
			t.Fatal(err)
		}
		into.Close()
		raw, err := exec.Command(sox, "-V1", filepath.Join(into.Dir, w[0].Name), "-t", "raw", "-e", "signed", "-b", fmt.Sprint(f.Bits), "-L", "-").Output()
		if err != nil || !bytes.Equal(raw, want) {
			t.Errorf("%+v: sox reads %d bytes that are not the %d laid down (%v)", f, len(raw), len(want), err)
		}
		if w[0].Silent <= 0 {
			t.Errorf("%+v: no silence is told of", f)
		}
	}
}

// silentWant makes silence of the samples whose bytes on the disk are missing.
func silentWant(f sound.Format, stored, silent, want []byte) []byte {
	before, after := bytes.Clone(stored), bytes.Clone(silent)
	f.Swap.Turn(before)
	f.Swap.Turn(after)
	out, n := bytes.Clone(want), f.Bits/8
	for i := range len(want) / n {
		frame, c := i/f.Channels, i%f.Channels
		at := i * f.Width
		if f.Block > 0 {
			per := int(f.Block) / f.Width
			at = frame/per*int(f.Block)*f.Channels + c*int(f.Block) + frame%per*f.Width
		}
		for k := range n {
			b := f.Width - n + k // the place of byte k of the number in the stored sample, lowest first
			if f.Low {
				b = k
			}
			if f.Order == sound.Big {
				b = f.Width - 1 - b
			}
			if before[at+b] == after[at+b] {
				continue
			}
			v := after[at+b]
			if f.Unsigned && k == n-1 {
				v ^= 0x80
			}
			out[i*n+k] = v
		}
	}
	return out
}

// TestWaveHeaderOfSizes: odd sizes get their byte of padding, and what 32 bits cannot hold
// is RF64 (EBU Tech 3306, from memory).
func TestWaveHeaderOfSizes(t *testing.T) {
	f := sound.Format{Bits: 16, Width: 2, Channels: 2, Rate: 48000}
	for size, want := range map[int64]string{100: "RIFF", 1<<32 - 100: "RIFF", 1 << 32: "RF64", 1 << 40: "RF64"} {
		h := waveHeader(f, size)
		if string(h[:4]) != want || string(h[8:12]) != "WAVE" {
			t.Errorf("%d bytes: % x", size, h)
		}
		if want == "RF64" && int64(binary.LittleEndian.Uint64(h[28:])) != size {
			t.Errorf("%d bytes: ds64 says %d", size, binary.LittleEndian.Uint64(h[28:]))
		}
	}
}

// TestStoppedWhileWriting: what was whole stays, what was begun is gone.
func TestStoppedWhileWriting(t *testing.T) {
	d := imagetest.New(100_000, 512)
	d.Put(10, bytes.Repeat([]byte{1, 2}, 256))
	track := func(n int, at disk.Sector, count int64) tracks.Track {
		r := sound.Run{Start: int64(at) * 512, Count: count * 512, Kind: sound.PCM, Data: sound.Range{Start: int64(at) * 512, Count: count * 512},
			Format: sound.Format{Bits: 16, Width: 2, Channels: 1, Rate: 44100, Order: sound.Little}}
		return tracks.Track{Run: r, Number: n, Pieces: []disk.Span{{Start: at, Count: disk.Sector(count)}}, Source: d}
	}
	ctx, stop := context.WithCancel(context.Background())
	into, err := NewFolder(filepath.Join(t.TempDir(), "heard"))
	if err != nil {
		t.Fatal(err)
	}
	defer into.Close()
	w, err := WriteTracks(ctx, []tracks.Track{track(1, 10, 8), track(2, 100, 90_000)}, into, func(done, _ int64) {
		if done > 10_000 {
			stop()
		}
	})
	if !errors.Is(err, context.Canceled) || !strings.Contains(err.Error(), "run 2") || len(w) != 1 {
		t.Errorf("%d files, and %v", len(w), err)
	}
	left, err := os.ReadDir(into.Dir)
	if err != nil || len(left) != 1 || left[0].Name() != "001-sector-10.wav" {
		t.Errorf("left in the folder: %v (%v)", left, err)
	}
}
