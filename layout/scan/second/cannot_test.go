package second

import (
	"context"
	"strings"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout"
	"bootgraft/layout/volume/fat/format"
)

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

// A volume of another kind is not its business.
func TestOtherVolumes(t *testing.T) {
	d := imagetest.New(5000, 512)
	s := survey(t, d)
	s.Volumes = []layout.Volume{{Kind: "ntfs", Index: 3}}
	if all, err := Ask(t.Context(), d, s, Options{}); err != nil || len(all) > 0 {
		t.Errorf("%+v, %v", all, err)
	}
}
