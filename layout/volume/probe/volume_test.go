package probe

import (
	"encoding/binary"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout"
)

const fixtures = "../../../testdata/volume/"

// known is what each fixture says of itself. The tool that made it, named in
// the fixture, is the source of the name; sizes are those of the file it was
// given; places follow from the standard named in the format's file.
var known = []struct {
	file    string
	want    layout.Volume
	meaning disk.Spans
}{
	{"exfat.txt", layout.Volume{
		Span: disk.Span{Count: 4096}, Kind: "exfat", Label: "Field One", ID: "7F3F-F99A", ClusterBytes: 4096, UsedBytes: -1, Sized: true,
	}, disk.Spans{{Start: 0, Count: 13}, {Start: 56, Count: 8}}},
	{"ntfs.txt", layout.Volume{
		Span: disk.Span{Count: 8192}, Kind: "ntfs", Label: "TAPES", ID: "0AA1D1937138BD5A", ClusterBytes: 4096, UsedBytes: -1, Sized: true,
	}, disk.Spans{{Start: 0, Count: 1}, {Start: 38, Count: 2}, {Start: 8191, Count: 1}}},
	{"hfs.txt", layout.Volume{
		Span: disk.Span{Count: 2048}, Kind: "hfs", Label: "Songs", ClusterBytes: 512, UsedBytes: 30 * 512, Sized: true,
	}, disk.Spans{{Start: 2, Count: 1}}},
	{"iso9660.txt", layout.Volume{
		Span: disk.Span{Count: 700}, Kind: "iso9660", Label: "DISC ONE", ClusterBytes: 2048, UsedBytes: 358400, Sized: true,
	}, disk.Spans{{Start: 64, Count: 4}}},
	{"squashfs.txt", layout.Volume{
		Kind: "squashfs", ClusterBytes: 131072, Sized: true,
	}, disk.Spans{{Start: 0, Count: 1}}},
	{"swap.txt", layout.Volume{
		Span: disk.Span{Count: 2048}, Kind: "swap", Label: "SWAPPY", ClusterBytes: 4096, UsedBytes: -1, Sized: true,
	}, disk.Spans{{Start: 2, Count: 1}, {Start: 7, Count: 1}}},
}

func recognise(t testing.TB, src image.Source, entry disk.Span) (*layout.Volume, []disk.Finding) {
	t.Helper()
	v, findings, err := Recognise(src, entry)
	if err != nil || v == nil {
		t.Fatalf("got %+v, %v", v, err)
	}
	return v, findings
}

func TestFixtures(t *testing.T) {
	for _, c := range known {
		t.Run(c.file, func(t *testing.T) {
			d := imagetest.Load(t, fixtures+c.file)
			v, findings := recognise(t, d, image.Whole(d))
			got, want := *v, c.want
			if !slices.Equal(got.Meaning, c.meaning) {
				t.Errorf("meaning %v, want %v", got.Meaning, c.meaning)
			}
			got.Meaning = nil
			// What a tool draws by chance or from the clock is checked
			// against blkid in TestOutsideReaderAgrees.
			if want.ID == "" {
				got.ID = ""
			}
			if c.file == "squashfs.txt" {
				got.Span, got.UsedBytes = want.Span, want.UsedBytes
			}
			if !sameVolume(got, want) || len(findings) != 0 {
				t.Errorf("got  %+v, %v\nwant %+v", got, findings, want)
			}
		})
	}
}

func sameVolume(a, b layout.Volume) bool {
	return a.Span == b.Span && a.Kind == b.Kind && a.Label == b.Label && a.ID == b.ID &&
		a.ClusterBytes == b.ClusterBytes && a.UsedBytes == b.UsedBytes && a.Sized == b.Sized
}

// A volume says the same of itself wherever its entry lies, and in larger
// sectors; only its addresses move.
func TestInAnEntry(t *testing.T) {
	const first = 264
	for _, c := range known {
		for _, size := range []int{512, 2048} {
			bare := imagetest.Load(t, fixtures+c.file)
			v, _ := recognise(t, bare, image.Whole(bare))
			scale := disk.Sector(size / 512)
			drive := imagetest.New(16384/scale, size)
			drive.Put(first/scale, imagetest.Head(t, bare, bare.Size()))
			entry := disk.Span{Start: first / scale, Count: (image.Sectors(bare) + scale - 1) / scale}
			got, findings := recognise(t, drive, entry)
			want := *v
			want.Span = disk.Span{Start: first / scale, Count: (v.Count + scale - 1) / scale}
			if !sameVolume(*got, want) || len(findings) != 0 {
				t.Errorf("%s, sectors of %d bytes: got %+v, %v, want %+v", c.file, size, got, findings, want)
			}
			for _, m := range got.Meaning {
				if !entry.Covers(m) {
					t.Errorf("%s: meaning %v is outside the entry %v", c.file, got.Meaning, entry)
				}
			}
		}
	}
}

// What is not in the Meaning of a volume changes nothing of what is said of it.
func TestMeaningIsAllThatIsNeeded(t *testing.T) {
	for _, c := range known {
		d := imagetest.Load(t, fixtures+c.file)
		v, _ := recognise(t, d, image.Whole(d))
		noise := imagetest.New(image.Sectors(d), 512)
		for _, s := range v.Meaning {
			b, err := image.ReadSectors(d, s)
			if err != nil {
				t.Fatal(err)
			}
			noise.Put(s.Start, b)
		}
		got, _ := recognise(t, noise, image.Whole(noise))
		if !sameVolume(*got, *v) {
			t.Errorf("%s: got %+v, want %+v", c.file, got, v)
		}
	}
}

func TestVolumePastEntry(t *testing.T) {
	for _, c := range known {
		d := imagetest.Load(t, fixtures+c.file)
		v, _ := recognise(t, d, image.Whole(d))
		if v.Count < 80 { // a descriptor at sector 64 must stay inside
			continue
		}
		short, findings := recognise(t, d, disk.Span{Count: v.Count - 2})
		if got := imagetest.Codes(findings); !slices.Contains(got, "volume-past-entry") || short.Count < v.Count-1 {
			t.Errorf("%s: findings %v, %d sectors", c.file, got, short.Count)
		}
	}
}

func TestBlankAndShortAreAbsent(t *testing.T) {
	for _, sectors := range []disk.Sector{0, 1, 2, 3, 8, 65, 200} {
		d := imagetest.New(sectors, 512)
		if v, f, err := Recognise(d, image.Whole(d)); v != nil || f != nil || err != nil {
			t.Errorf("%d sectors: %v, %v, %v", sectors, v, f, err)
		}
	}
	d := imagetest.New(10, 512)
	if v, f, err := Recognise(d, disk.Span{Start: 20, Count: 5}); v != nil || f != nil || err != nil {
		t.Errorf("an entry past the end: %v, %v, %v", v, f, err)
	}
}

// A boot sector of FAT is not one of ours. F07: Microsoft FAT: General
// Overview of On-Disk Format v1.03, "Boot Sector and BPB Structure".
func TestFATIsNotOurs(t *testing.T) {
	for _, name := range []string{"FAT12   ", "FAT16   ", "FAT32   "} {
		b := make([]byte, 64<<10)
		copy(b, "\xEB\x3C\x90MSDOS5.0")
		binary.LittleEndian.PutUint16(b[11:], 512)
		b[13], b[16] = 4, 2
		binary.LittleEndian.PutUint16(b[14:], 1)
		copy(b[54:], name)
		b[510], b[511] = 0x55, 0xAA
		if v, f, err := Recognise(imagetest.NewBytes(b, 512), disk.Span{Count: 128}); v != nil || f != nil || err != nil {
			t.Errorf("%q: %v, %v, %v", name, v, f, err)
		}
		for _, oem := range []string{"EXFAT   ", "NTFS    "} {
			copy(b[3:], oem)
			v, _, err := Recognise(imagetest.NewBytes(b, 512), disk.Span{Count: 128})
			var format *disk.FormatError
			if v != nil || !errors.As(err, &format) || format.Fault != disk.Malformed {
				t.Errorf("%q under the name %q: %v, %v", name, oem, v, err)
			}
		}
	}
}

// Sectors that cannot be read never become a wrong answer: the volume is the
// same but for its name and copies, or the error says which sector it was.
func TestUnknownSectors(t *testing.T) {
	for _, c := range known {
		whole := imagetest.Load(t, fixtures+c.file)
		v, _ := recognise(t, whole, image.Whole(whole))
		for _, span := range v.Meaning {
			for x := span.Start; x < span.End(); x++ {
				got, findings, err := Recognise(image.NewKnown(whole, disk.Spans{{Start: x, Count: 1}}, nil), image.Whole(whole))
				var unknown *image.UnknownError
				switch {
				case got == nil && !errors.As(err, &unknown):
					t.Errorf("%s without sector %d: %v", c.file, x, err)
				case got != nil && (err != nil || got.Kind != v.Kind || got.Span != v.Span || !slices.Contains(imagetest.Codes(findings), "volume-partly-read")):
					t.Errorf("%s without sector %d: got %+v, %v, %v", c.file, x, got, findings, err)
				}
			}
		}
	}
}

func TestTwoFormatsAtOnce(t *testing.T) {
	d := imagetest.Load(t, fixtures+"iso9660.txt")
	hfs := imagetest.Load(t, fixtures+"hfs.txt")
	d.Put(2, imagetest.Head(t, hfs, 1536)[1024:])
	v, findings := recognise(t, d, image.Whole(d))
	if got := imagetest.Codes(findings); v.Kind != "iso9660" || !slices.Equal(got, []string{"volume-ambiguous"}) {
		t.Errorf("got %s, %v", v.Kind, got)
	}
}

func FuzzRecognise(f *testing.F) {
	for _, c := range known {
		f.Add(imagetest.Head(f, imagetest.Load(f, fixtures+c.file), 40<<10), uint16(8192), uint8(0), uint8(0))
	}
	f.Add(imagetest.Head(f, hfsPlusDisk("H+"), 40<<10), uint16(8192), uint8(0), uint8(2))
	f.Add(imagetest.Head(f, wrappedDisk(), 40<<10), uint16(8192), uint8(3), uint8(0))
	f.Fuzz(func(t *testing.T, head []byte, sectors uint16, shift, skip uint8) {
		d := imagetest.Headed(head, disk.Sector(sectors), 512<<(shift%4))
		entry := disk.Between(disk.Sector(skip), disk.Sector(sectors))
		v, findings, err := Recognise(d, entry)
		if v != nil && err != nil {
			t.Fatalf("got %+v and %v", v, err)
		}
		if v == nil {
			if findings != nil {
				t.Errorf("findings about nothing: %v", findings)
			}
			return
		}
		if v.Start != entry.Start || v.Count < 0 || v.UsedBytes < -1 || v.ClusterBytes < 0 || v.Kind == "" || len(v.Meaning) == 0 {
			t.Errorf("got %+v", v)
		}
		for _, m := range v.Meaning {
			if !entry.Covers(m) {
				t.Errorf("meaning %v is outside the entry %v", v.Meaning, entry)
			}
		}
		if err := imagetest.CheckFindings(findings); err != nil {
			t.Error(err)
		}
	})
}

// image512 opens a file that a tool made.
func image512(t testing.TB, name string) *image.File {
	t.Helper()
	f, err := image.Open(name, 512)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close() })
	return f
}

// blank makes a file of zeros.
func blank(t testing.TB, size int64) string {
	t.Helper()
	name := filepath.Join(t.TempDir(), "volume.img")
	if err := errors.Join(os.WriteFile(name, nil, 0o600), os.Truncate(name, size)); err != nil {
		t.Fatal(err)
	}
	return name
}
