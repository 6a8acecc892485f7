package sound_test

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"bootgraft/image"
	"bootgraft/image/imagetest/need"
	"bootgraft/layout/scan/sound"
	"bootgraft/layout/scan/sound/studio"
)

// TestContainersOfSox: what sox writes is found with its length, its rate and its samples,
// which are those that sox itself reads out of the file.
func TestContainersOfSox(t *testing.T) {
	sox := need.Tool(t, "sox")
	dir := t.TempDir()
	run := func(args ...string) []byte {
		t.Helper()
		cmd := exec.Command(sox, args...)
		var out, complaint bytes.Buffer
		cmd.Stdout, cmd.Stderr = &out, &complaint
		if err := cmd.Run(); err != nil {
			t.Fatalf("sox %s: %v\n%s", strings.Join(args, " "), err, complaint.String())
		}
		return out.Bytes()
	}
	for _, tt := range []struct {
		name string
		kind sound.Kind
		rate int
		args []string // how sox is told to write it
		raw  []string // and how to read it as WAV has it
	}{
		{"16.wav", sound.Wave, 44100, []string{"-b", "16", "-c", "2"}, []string{"-e", "signed", "-b", "16"}},
		{"24.wav", sound.Wave, 48000, []string{"-b", "24", "-c", "2"}, []string{"-e", "signed", "-b", "24"}},
		{"8.wav", sound.Wave, 22050, []string{"-b", "8", "-c", "1"}, []string{"-e", "unsigned", "-b", "8"}},
		{"6.wav", sound.Wave, 44100, []string{"-b", "16", "-c", "6"}, []string{"-e", "signed", "-b", "16"}},
		{"float.wav", sound.Wave, 44100, []string{"-e", "float", "-b", "32", "-c", "2"}, nil},
		{"law.wav", sound.Wave, 8000, []string{"-e", "a-law", "-b", "8", "-c", "1"}, nil},
		{"16.aiff", sound.AIFF, 44100, []string{"-b", "16", "-c", "2"}, []string{"-e", "signed", "-b", "16"}},
		{"24.aiff", sound.AIFF, 96000, []string{"-b", "24", "-c", "1"}, []string{"-e", "signed", "-b", "24"}},
		{"16.aifc", sound.AIFC, 32000, []string{"-b", "16", "-c", "2"}, []string{"-e", "signed", "-b", "16"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			path := filepath.Join(dir, tt.name)
			run(append(append([]string{"-R", "-n", "-r", fmt.Sprint(tt.rate)}, tt.args...),
				path, "synth", "1.5", "pluck", "A3", "gain", "-3")...)
			file, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			for _, order := range []image.Order{image.Plain, image.Swap16, image.Swap32} {
				all := studio.Text(rand.New(rand.NewPCG(1, 1)), 2<<20)
				const at = 77 * 512
				copy(all[at:], file)
				order.Turn(all)
				src := flat(all)
				runs := find(t, src)
				if len(runs) != 1 {
					t.Fatalf("%v: %d runs, wanted 1: %+v", order, len(runs), runs)
				}
				r := runs[0]
				if r.Kind != tt.kind || r.Start != at || r.Count != int64(len(file)) || r.Format.Rate != tt.rate ||
					math.Abs(r.Seconds-1.5) > 0.001 || r.RateGuessed {
					t.Errorf("%v: %+v", order, r)
				}
				if got, err := io.ReadAll(r.Bytes(src)); err != nil || !bytes.Equal(got, file) {
					t.Errorf("%v: its bytes are not those of the file (%v)", order, err)
				}
				in, err := r.PCM(src)
				if tt.raw == nil {
					if err == nil {
						t.Errorf("%v: samples of %q are given as PCM", order, r.Format.Codec)
					}
					continue
				}
				if err != nil {
					t.Fatal(err)
				}
				want := run(append(append([]string{path, "-t", "raw", "-L"}, tt.raw...), "-")...)
				if got, err := io.ReadAll(in); err != nil || !bytes.Equal(got, want) {
					t.Errorf("%v: %d bytes of samples, not the %d that sox reads (%v)", order, len(got), len(want), err)
				}
			}
		})
	}
}

// TestRF64: lengths beyond 32 bits stand in a chunk of their own (EBU Tech 3306, from memory:
// "ds64" holds the length of the file less 8, that of the samples, and their number).
func TestRF64(t *testing.T) {
	pcm := studio.Noise(rand.New(rand.NewPCG(2, 2)), 40_000)
	b := []byte("RF64\xFF\xFF\xFF\xFFWAVEds64\x1C\x00\x00\x00")
	sizes := len(b)
	b = append(b, make([]byte, 28)...)
	b = append(b, waveFile(nil)[12:36]...)
	b = append(append(b, "data\xFF\xFF\xFF\xFF"...), pcm...)
	binary.LittleEndian.PutUint64(b[sizes:], uint64(len(b)-8))
	binary.LittleEndian.PutUint64(b[sizes+8:], uint64(len(pcm)))
	all := make([]byte, 1<<20)
	copy(all[512:], b)
	runs := find(t, flat(all))
	if len(runs) != 1 || runs[0].Kind != sound.RF64 || runs[0].Count != int64(len(b)) ||
		runs[0].Data.Count != int64(len(pcm)) {
		t.Errorf("%+v, wanted %d bytes with %d of samples", runs, len(b), len(pcm))
	}
}

// TestLengthsThatLie: a container whose lengths do not hold is none, and costs no more than its header.
func TestLengthsThatLie(t *testing.T) {
	good := waveFile(studio.Noise(rand.New(rand.NewPCG(3, 3)), 40_000))
	set := func(at int, value uint32) []byte {
		b := bytes.Clone(good)
		binary.LittleEndian.PutUint32(b[at:], value)
		return b
	}
	many := []byte("RIFF\x00\x00\x10\x00WAVE")
	for range 1 << 17 {
		many = append(many, "junk\x00\x00\x00\x00"...)
	}
	binary.LittleEndian.PutUint32(many[4:], uint32(len(many)-8))
	for name, b := range map[string][]byte{
		"beyond the disk":      set(4, math.MaxUint32),
		"beyond the container": set(40, 50_000),
		"short of it":          set(40, 39_000),
		"nothing":              set(4, 0),
		"no rate":              set(24, 0),
		"other bytes a second": set(28, 7),
		"rate without end":     set(24, math.MaxUint32),
		"a chain of nothing":   many,
		"RF64 that lies": append([]byte("RF64\xFF\xFF\xFF\xFFWAVEds64\x1C\x00\x00\x00"),
			bytes.Repeat([]byte{0xFF}, 28)...),
		"AIFF that lies": []byte("FORM\x00\x00\x00\x40AIFFCOMM\x00\x00\x00\x12" +
			"\x00\x02\xFF\xFF\xFF\xFF\x00\x10\x7F\xFF"),
	} {
		all := make([]byte, 2<<20)
		copy(all[512:], b)
		if runs := find(t, flat(all)); len(runs) > 0 {
			t.Errorf("%s: %+v", name, runs)
		}
	}
}

// TestContainerInPieces: a file whose second half lies elsewhere is found by its header, and
// it is said that what follows does not read as its samples. One that is whole says nothing.
func TestContainerInPieces(t *testing.T) {
	r := rand.New(rand.NewPCG(4, 4))
	tracks := [][]float64{studio.Organ(r, 44100, 200_000), studio.Speech(r, 44100, 200_000)}
	pcm := studio.Record(r, stereo, tracks).Bytes(0)
	for name, rest := range map[string][]byte{
		"whole": nil, "text": studio.Text(r, 400_000), "noise": studio.Noise(r, 400_000),
		"records": studio.Records(r, 400_000),
	} {
		all := make([]byte, 2<<20)
		copy(all[512:], waveFile(pcm))
		copy(all[512+44+400_000:], rest)
		runs := find(t, flat(all))
		if len(runs) != 1 {
			t.Fatalf("%s: %d runs", name, len(runs))
		}
		if said := strings.Contains(runs[0].Why, "in one piece"); said == (rest == nil) {
			t.Errorf("%s: %s", name, runs[0].Why)
		}
	}
}
