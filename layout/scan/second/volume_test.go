package second

import (
	"bytes"
	"context"
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/image/imagetest/need"
	"bootgraft/layout"
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

// Everything that go-diskfs v1.9.4 is known to read wrongly, to refuse, or to
// break off at, and damage that makes it hang: our reader says so beforehand.
func TestCannot(t *testing.T) {
	with := func(o format.Options, change func(*format.Options)) format.Options { change(&o); return o }
	for _, c := range []struct {
		name string
		kind format.Options
		do   func(*specimen)
		why  string
	}{
		{"one table, FAT16", with(small16, func(o *format.Options) { o.FATs = 1 }), nil, "two allocation tables"},
		{"one table, FAT32", with(small32, func(o *format.Options) { o.FATs = 1 }), nil, "two allocation tables"},
		{"three tables", with(small16, func(o *format.Options) { o.FATs = 3 }), nil, "two allocation tables"},
		{"copies differ, FAT16", small16, func(s *specimen) { s.link(4000, 0xFFF7, 1) }, "copies of the allocation table differ"},
		{"copies differ, FAT32", small32, func(s *specimen) { s.link(4000, 0x0FFFFFF7, 1) }, "copies of the allocation table differ"},
		{"copies differ behind the last cluster", small32, func(s *specimen) {
			s.poke(int64(s.volume().TableSpan(1).End())*512-1, 1)
		}, "fat tables did not match"},
		{"mirroring off", small32, func(s *specimen) { s.poke(40, 0x80) }, "one of the allocation tables is active"},
		{"no FSInfo", small32, func(s *specimen) { s.poke(48, 0, 0) }, "FSInfo"},
		{"FSInfo wiped", small32, func(s *specimen) { s.poke(512, make([]byte, 512)...) }, "FSInfo"},
		{"root cluster not 2", with(small32, func(o *format.Options) { o.RootCluster = 5 }), nil, "root directory begins at cluster 5"},
		{"high bits of a table entry", small32, func(s *specimen) {
			first := s.file("B.BIN").First
			s.link(first, 0xF0000000|(first+1), 0, 1)
		}, "upper 4 bits of the table entry"},
		{"high bits in a directory entry", small32, func(s *specimen) { s.poke(s.at(s.file("A.BIN").Place)+21, 0x30) }, "upper 4 bits of its cluster"},
		{"handle of extended attributes", small16, func(s *specimen) { s.poke(s.at(s.file("A.BIN").Place)+20, 7, 0) }, "extended attributes"},
		{"FAT32 not closed properly", small32, func(s *specimen) { s.link(1, 0x07FFFFFF, 0, 1) }, "not closed properly"},
		{"boot sector from its backup", small32, func(s *specimen) { s.poke(0, make([]byte, 512)...) }, "backup"},
		{"no 55 AA, FAT12", small12, func(s *specimen) { s.poke(510, 0, 0) }, "55 AA"},
		{"no extended signature", small16, func(s *specimen) { s.poke(38, 0) }, "extended signature"},
		{"two sizes", small16, func(s *specimen) { s.poke(32, 0x10, 0x4E, 0, 0) }, "two sizes"},
		{"room for a fixed root", small32, func(s *specimen) { s.poke(17, 16, 0) }, "fixed root directory"},
		{"surrogates in a long name", small16, func(s *specimen) { s.poke(s.at(s.file("A name that is longer than one part.bin").Slot)+1, 0x3D, 0xD8) }, "beyond 16 bits"},
		{"long name of nobody", small16, func(s *specimen) { s.poke(s.at(s.file("A name that is longer than one part.bin").Slot)+13, 0) }, "long"},
		{"a long name that ends early", small16, func(s *specimen) { s.poke(s.at(s.file("A name that is longer than one part.bin").Slot)+32+1, 0, 0) }, "ends before"},
		{"long part with odd attributes", small16, func(s *specimen) { s.poke(s.at(s.file("A name that is longer than one part.bin").Slot)+11, 0x4F) }, "4F"},
		{"a slash in a name", small16, func(s *specimen) { s.poke(s.at(s.file("A.BIN").Place), '/') }, "fat-name-illegal"},
		{"a dot for a base", small16, func(s *specimen) { s.poke(s.at(s.file("A.BIN").Place), []byte(".       ")...) }, "leaves out"},
		{"blank base", small16, func(s *specimen) { s.poke(s.at(s.file("A.BIN").Place), ' ') }, "begins with blanks"},
		{"two folders of one name", small16, func(s *specimen) {
			s.poke(s.at(s.file("A.BIN").Place), []byte("DIR        ")...)
		}, "fits another entry"},
		{"a folder of other letters", small16, func(s *specimen) { s.poke(s.at(s.file("DIR").Place), 0x9A) }, "not ASCII"},
		{"a chain that loops", small16, func(s *specimen) { s.link(lastCluster(s, "B.BIN"), s.file("B.BIN").First, 0, 1) }, "fat-chain-loop"},
		{"a chain too short", small32, func(s *specimen) { s.link(s.file("B.BIN").First, 0x0FFFFFFF, 0, 1) }, "damaged"},
		{"a chain into a free cluster", small16, func(s *specimen) { s.link(lastCluster(s, "B.BIN"), 4000, 0, 1) }, "fat-chain-into-free"},
		{"size of 4 GiB", small32, func(s *specimen) { s.poke(s.at(s.file("A.BIN").Place)+28, 0xFF, 0xFF, 0xFF, 0xFF) }, "fat-chain-short"},
		{"a folder's chain loops", small16, func(s *specimen) { f := s.file("DIR").First; s.link(f, f, 0, 1) }, "damaged"},
		{"a folder that is the root", small16, func(s *specimen) { s.poke(s.at(s.file("DIR").Place)+26, 0, 0) }, "damaged"},
		{"a folder that holds itself", small32, func(s *specimen) {
			d := s.file("DIR").First
			s.poke(s.at(s.file("DIR/Sub of a long name").Place)+26, byte(d), byte(d>>8))
		}, "damaged"},
		{"a file over another", small16, func(s *specimen) {
			b := s.file("B.BIN").First
			s.poke(s.at(s.file("A.BIN").Place)+26, byte(b), byte(b>>8))
		}, "damaged"},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := newSpecimen(t, c.kind)
			if c.do != nil {
				c.do(s)
			}
			o := ask(t, s)
			if o.Verdict != Cannot || !strings.Contains(o.Why, c.why) || o.Compared.Entries != 0 {
				t.Errorf("%+v, want cannot: %s", o, c.why)
			}
			if f := o.Finding(); f.Code != "second-reader-cannot" || f.Severity != disk.Note {
				t.Errorf("%+v", f)
			}
		})
	}
}

// Sectors that a capture did not get: where the library would stumble over
// them it is not asked, and files that they lie in are not read.
func TestUnknownSectors(t *testing.T) {
	s := newSpecimen(t, small32)
	v := s.volume()
	dir := s.file("DIR")
	data := s.file("B.BIN")
	for _, c := range []struct {
		name string
		at   disk.Sector
		want Verdict
	}{
		{"boot area", 7, Cannot}, {"FSInfo", 1, Cannot}, {"first table", v.TableSpan(0).Last(), Cannot}, {"second table", v.TableSpan(1).Start + 3, Cannot},
		{"root directory", v.Cluster(2).Start, Cannot}, {"directory", dir.Extents()[0].Start, Cannot},
		{"reserved, never read", 20, Agrees}, {"a file", data.Extents()[0].Start + 2, Agrees},
	} {
		t.Run(c.name, func(t *testing.T) {
			o := ask(t, image.NewKnown(s, disk.Spans{{Start: c.at, Count: 1}}, nil))
			if o.Verdict != c.want {
				t.Errorf("%+v, want %s", o, c.want)
			}
			if c.name == "a file" && (o.Compared.Contents != 5 || o.Why != "not compared: 1 file with 12345 bytes") {
				t.Errorf("%+v, want one file not read", o)
			}
		})
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

// A read that fails under the second reader alone spoils its answer, because
// the library takes the old content of its buffer for data.
func TestFailedReads(t *testing.T) {
	s := newSpecimen(t, small32)
	v := s.volume()
	sur := survey(t, s)
	b := s.file("B.BIN")
	dir := s.file("DIR")
	for name, at := range map[string]disk.Sector{
		"boot sector": 0, "table": v.TableSpan(0).Start, "second table": v.TableSpan(1).Start, "root": v.Cluster(2).Start,
		"directory": dir.Extents()[0].Start, "file": b.Extents()[0].Start + 3,
	} {
		t.Run(name, func(t *testing.T) {
			o := volume(context.Background(), v, &broken{s, int64(at) * 512}, sur.Volumes[0], Options{Contents: true})
			if o.Verdict != Cannot || !strings.Contains(o.Why, "the drive cannot read byte") {
				t.Errorf("%+v, want cannot", o)
			}
		})
	}
}

// A panic of the library is an answer, not the end of the program.
func TestPanicIsCannot(t *testing.T) {
	s := newSpecimen(t, small16)
	o := volume(context.Background(), s.volume(), panicking{s}, survey(t, s).Volumes[0], Options{})
	if o.Verdict != Cannot || !strings.Contains(o.Why, "it broke off") {
		t.Errorf("%+v", o)
	}
}

type panicking struct{ image.Source }

func (panicking) ReadAt([]byte, int64) (int, error) { panic("the reader is broken") }

// A directory so large that looking up every name in it would take minutes:
// the names are compared, and the chains as far as the budget goes.
func TestLargeDirectory(t *testing.T) {
	d := imagetest.New(80_000, 512)
	v, err := format.New(d, format.Options{Sectors: 80_000, Kind: fat.FAT32, SectorsPerCluster: 1})
	if err != nil {
		t.Fatal(err)
	}
	const files = 12_000
	for i := range files {
		if err := v.Add(fmt.Sprintf("T%07d.DAT", i), bytes.NewReader([]byte{1}), 1, format.File{}); err != nil {
			t.Fatal(err)
		}
	}
	if err := v.Close(); err != nil {
		t.Fatal(err)
	}
	start := time.Now()
	o := ask(t, d)
	t.Logf("%v for %+v", time.Since(start), o)
	if o.Verdict != Agrees || o.Compared.Entries != maxEntries || o.Compared.Chains == 0 || o.Compared.Chains > maxCost/maxEntries {
		t.Errorf("%+v", o)
	}
	if !strings.Contains(o.Why, "only the first 10000 entries") || !strings.Contains(o.Why, "not compared: 9") {
		t.Errorf("it does not say what it left out: %s", o.Why)
	}
}

// Where more entries are there than are compared, the folders that our walk did not
// come to are no difference.
func TestMoreEntriesThanAreCompared(t *testing.T) {
	d := imagetest.New(80_000, 512)
	v, err := format.New(d, format.Options{Sectors: 80_000, Kind: fat.FAT32, SectorsPerCluster: 1})
	if err != nil {
		t.Fatal(err)
	}
	for _, dir := range []string{"FIRST", "LAST"} {
		if err := v.Mkdir(dir, format.File{}); err != nil {
			t.Fatal(err)
		}
		for i := range maxEntries {
			if err := v.Add(fmt.Sprintf("%s/T%07d.DAT", dir, i), bytes.NewReader(nil), 0, format.File{}); err != nil {
				t.Fatal(err)
			}
		}
	}
	if err := v.Close(); err != nil {
		t.Fatal(err)
	}
	if o := ask(t, d); o.Verdict != Agrees || o.Compared.Entries != maxEntries {
		t.Errorf("%+v", o)
	}
}

// What would take too long is left out, and said.
func TestBudgets(t *testing.T) {
	v := newSpecimen(t, small16).volume()
	folders, err := prove(v)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		budget int
		steps  int64
		want   Compared
		why    string
	}{
		{maxCost, maxSteps, Compared{9, 8, 6, 24191}, ""},
		{maxCost, 2, Compared{9, 8, 3, 2749}, "not compared: 3 files with 21442 bytes"},
		{80, maxSteps, Compared{9, 2, 2, 17345}, "not compared: 6 chains of clusters, 4 files with 6846 bytes"},
		{20, maxSteps, Compared{6, 0, 0, 0}, "not compared: 3 entries, 8 chains of clusters, 6 files with 24191 bytes"},
	} {
		var o Opinion
		x := comparison{ctx: t.Context(), v: v, o: &o, opt: Options{Contents: true}, store: &storage{src: v.Source()}, budget: c.budget, steps: c.steps}
		if err := x.run(folders); err != nil || o.Compared != c.want || x.left(folders) != c.why {
			t.Errorf("%d slots, %d steps: %+v, %q, %v", c.budget, c.steps, o.Compared, x.left(folders), err)
		}
	}
}

// A volume of another kind is not its business.
func TestOtherVolumes(t *testing.T) {
	d := imagetest.New(5000, 512)
	s := survey(t, d)
	s.Volumes = []layout.Volume{{Kind: "ntfs", Index: 3}}
	if all, err := Ask(t.Context(), d, s, Options{}); err != nil || len(all) > 0 {
		t.Errorf("%+v, %v", all, err)
	}
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
