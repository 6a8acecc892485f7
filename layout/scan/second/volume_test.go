package second

import (
	"context"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest/need"
	"bootgraft/layout/volume/fat"
	"bootgraft/layout/volume/fat/format"
)

// Volumes by mkfs.fat (dosfstools) and mtools: both readers find the same
// names, chains and bytes.
func TestAgrees(t *testing.T) {
	for _, r := range []struct {
		name    string
		sectors int64
		args    string
	}{
		{"fat12-floppy", 2880, "-F 12"},
		{"fat12-large-clusters", 16384, "-F 12 -s 8"},
		{"fat12-reserved-5", 8192, "-F 12 -R 5 -s 4"},
		{"fat16", 65536, "-F 16"},
		{"fat16-reserved-8", 65536, "-F 16 -R 8 -s 2 -r 1024"},
		{"fat16-sector-2048", 65536, "-F 16 -S 2048 -s 1"},
		{"fat32-small-clusters", 70000, "-F 32 -s 1"},
		{"fat32-reserved-4096", 80000, "-F 32 -s 1 -R 4096"},
		{"fat32-sector-4096", 600000, "-F 32 -S 4096 -s 1"},
	} {
		t.Run(r.name, func(t *testing.T) {
			src, entries := made(t, r.sectors, r.args)
			o := ask(t, src)
			// Four files are empty by design: they have no chain.
			if o.Verdict != Agrees || o.Compared.Entries != entries || o.Compared.Chains < entries-4 || o.Compared.Contents < entries-7 || o.Why != "" {
				t.Errorf("%+v, want agreement on %d entries", o, entries)
			}
		})
	}
}

// Volumes that are odd and still read alike.
func TestAgreesOnOddities(t *testing.T) {
	for _, c := range []struct {
		name string
		kind format.Options
		do   func(*specimen)
	}{
		{"as it is, FAT12", small12, func(*specimen) {}},
		{"as it is, FAT16", small16, func(*specimen) {}},
		{"as it is, FAT32", small32, func(*specimen) {}},
		{"FAT16 not closed properly", small16, func(s *specimen) { s.link(1, 0x7FFF, 0, 1) }},
		{"FAT32 with the flag in the boot sector alone", small32, func(s *specimen) { s.poke(65, 1) }},
		{"a bad cluster", small16, func(s *specimen) { s.link(4000, 0xFFF7, 0, 1) }},
		{"FAT16 without 55 AA", small16, func(s *specimen) { s.poke(510, 0, 0) }},
		{"more clusters than the file needs", small16, func(s *specimen) {
			s.link(3000, 3001, 0, 1)
			s.link(3001, 0xFFFF, 0, 1)
			s.link(lastCluster(s, "A.BIN"), 3000, 0, 1)
		}},
		{"a short name of other letters", small16, func(s *specimen) { s.poke(s.at(s.file("A.BIN").Place), 0x05, 0x9A) }},
		{"lower case by flag", small32, func(s *specimen) { s.poke(s.at(s.file("A.BIN").Place)+12, 0x18) }},
		{"the label is the name of a folder", small16, func(s *specimen) {
			s.poke(s.at(s.file("DIR").Place), []byte("SONGS   ")...)
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := newSpecimen(t, c.kind)
			c.do(s)
			if o := ask(t, s); o.Verdict != Agrees || o.Compared.Entries != 9 || o.Compared.Contents != 6 {
				t.Errorf("%+v", o)
			}
		})
	}
}

func lastCluster(s *specimen, path string) uint32 {
	f := s.file(path)
	return f.Chain.Runs[len(f.Chain.Runs)-1].End() - 1
}

// A label in a folder is no file to either, but the library finds it where it looks
// for a file of that name.
func TestLabelInAFolder(t *testing.T) {
	s := newSpecimen(t, small16)
	last := s.at(s.file("DIR/Sub of a long name").Place)
	label := s.raw("A.BIN") // with its cluster, as a system leaves it that makes a label of a file
	copy(label[:], "C       BIN\x08")
	s.poke(last+32, label[:]...)
	want := Compared{Entries: 9, Chains: 7, Contents: 5, Bytes: 24191 - 700}
	if o := ask(t, s); o.Verdict != Agrees || o.Compared != want {
		t.Errorf("%+v, want %+v", o, want)
	}
}

// The second reader really looks for itself: shown another byte than ours it
// differs, and says where.
func TestDiffers(t *testing.T) {
	for _, o := range []format.Options{small12, small16, small32} {
		s := newSpecimen(t, o)
		v := s.volume()
		sur := survey(t, s)
		a := s.at(s.file("A.BIN").Place)
		long := s.file("A name that is longer than one part.bin")
		content := s.file("B.BIN")
		for _, c := range []struct {
			name string
			at   int64
			b    byte
			why  string
		}{
			{"name", a, 'X', `"X.BIN") of 5000 bytes where ours has file "/A.BIN"`},
			{"short name beside a long one", s.at(long.Place), 'Z', `("ZNAMET~1.BIN")`},
			{"long name", s.at(long.Slot) + 1, 'z', "where ours has"},
			{"size", a + 28, 1, "4865 bytes where ours has"},
			{"first cluster", a + 26, s.raw("A.BIN")[26] + 1, "/A.BIN"},
			{"end of the directory", a, 0, "is missing"},
			{"deleted", a, 0xE5, `where ours has file "/A.BIN"`},
			{"a byte of a file", int64(content.Extents()[0].Start)*512 + 4097, ^byteAt(t, s, int64(content.Extents()[0].Start)*512+4097), "/B.BIN differs at byte 4097"},
		} {
			t.Run(v.Kind.String()+" "+c.name, func(t *testing.T) {
				got := volume(context.Background(), v, &altered{s, c.at, c.b}, sur.Volumes[0], Options{Contents: true})
				if got.Verdict != Differs || !strings.Contains(got.Why, c.why) {
					t.Errorf("%+v, want a difference: %s", got, c.why)
				}
				if f := got.Finding(); f.Code != "second-reader-differs" || f.Severity != disk.Warning {
					t.Errorf("%+v", f)
				}
			})
		}
	}
}

// raw returns the directory entry of a path.
func (s *specimen) raw(path string) fat.Raw { return s.file(path).Raw }

func byteAt(t *testing.T, src image.Source, at int64) byte {
	t.Helper()
	var b [1]byte
	if _, err := src.ReadAt(b[:], at); err != nil {
		t.Fatal(err)
	}
	return b[0]
}

// However a volume is damaged, what comes out is an answer, soon; and where
// both readers see the same bytes it is never that they differ.
func TestMutations(t *testing.T) {
	for _, o := range []format.Options{small12, small16, small32} {
		s := newSpecimen(t, o)
		v := s.volume()
		meta := int64(v.Data+24) * 512
		counts := map[Verdict]int{}
		for _, seed := range need.Seeds(40, 4000) {
			rng := rand.New(rand.NewPCG(uint64(seed), uint64(v.Kind)))
			view := image.Source(s)
			for range 1 + rng.IntN(4) {
				at := rng.Int64N(meta)
				if rng.IntN(2) == 0 { // where something is
					at = []int64{rng.Int64N(90), int64(v.TableSpan(0).Start)*512 + rng.Int64N(200), int64(v.TableSpan(1).Start)*512 + rng.Int64N(200),
						int64(v.Data)*512 - int64(v.RootSpan().Count)*512 + rng.Int64N(512)}[rng.IntN(4)]
				}
				view = &altered{view, at, byte(rng.Uint32())}
			}
			sur := survey(t, view)
			start := time.Now()
			all, err := Ask(context.Background(), view, sur, Options{Contents: true})
			if err != nil {
				t.Fatal(err)
			}
			for _, op := range all {
				counts[op.Verdict]++
				if op.Verdict == Differs || strings.Contains(op.Why, "it broke off") {
					t.Errorf("seed %d: %+v", seed, op)
				}
			}
			if d := time.Since(start); d > 20*time.Second {
				t.Errorf("seed %d took %v", seed, d)
			}
		}
		if counts[Agrees] == 0 || counts[Cannot] == 0 {
			t.Errorf("%s: %v: the mutations do not reach both answers", v.Kind, counts)
		}
	}
}
