package fat_test

import (
	"encoding/binary"
	"errors"
	"strings"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout/volume/fat"
	"bootgraft/layout/volume/fat/format"
)

// plain returns a small volume without files.
func plain(t testing.TB, o format.Options) *imagetest.Disk {
	t.Helper()
	d := imagetest.New(disk.Sector(o.Sectors), max(512, o.BytesPerSector))
	v, err := format.New(d, o)
	if err == nil {
		err = v.Close()
	}
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func poke(d *imagetest.Disk, off int64, b ...byte) {
	if _, err := d.WriteAt(b, off); err != nil {
		panic(err)
	}
}

func le32(v uint32) []byte { return binary.LittleEndian.AppendUint32(nil, v) }
func le16(v uint16) []byte { return binary.LittleEndian.AppendUint16(nil, v) }

func codes(f []disk.Finding) string {
	var out []string
	for _, x := range f {
		out = append(out, string(x.Code))
	}
	return strings.Join(out, " ")
}

var (
	small16 = format.Options{Sectors: 20000, Kind: fat.FAT16, SectorsPerCluster: 4}
	small32 = format.Options{Sectors: 70000, Kind: fat.FAT32, SectorsPerCluster: 1}
)

// F07, F08, F13 to F16: sizes of tables as FG's formula gives them, and the
// arithmetic of FG, "FAT Data Structure", on them.
func TestArithmetic(t *testing.T) {
	for _, c := range []struct {
		kind              fat.Kind
		total, spc, table uint32
		first, clusters   int64
	}{
		{fat.FAT16, 65536, 4, 64, 161, 16343},
		{fat.FAT16, 262144, 4, 256, 545, 65399},     // F08
		{fat.FAT32, 1048576, 8, 1023, 2078, 130812}, // F07
		{fat.FAT32, 15515648, 8, 15138, 30308, 1935667},
		{fat.FAT32, 39062961, 32, 9535, 19102, 1220120},
		{fat.FAT32, 78140097, 64, 9538, 19108, 1220640},
		{fat.FAT32, 16777216, 8, 16368, 32768, 2093056},
	} {
		d := plain(t, format.Options{Sectors: 70000, Kind: fat.FAT32, SectorsPerCluster: 1})
		if c.kind == fat.FAT16 {
			d = plain(t, small16)
			poke(d, 22, le16(uint16(c.table))...)
			poke(d, 19, 0, 0)
		} else {
			poke(d, 36, le32(c.table)...)
		}
		poke(d, 13, byte(c.spc))
		poke(d, 32, le32(c.total)...)
		v, err := fat.Read(d)
		if err != nil {
			t.Fatal(err)
		}
		if v.Kind != c.kind || int64(v.Data) != c.first || int64(v.Clusters) != c.clusters {
			t.Errorf("%d: %s, first data sector %d, %d clusters; want %d, %d", c.total, v.Kind, v.Data, v.Clusters, c.first, c.clusters)
		}
		if s := v.Cluster(3); s.Start != v.Data+disk.Sector(c.spc) {
			t.Errorf("cluster 3 lies at %s", s)
		}
	}
}

// F01, F03: the type follows the number of clusters, "<" and not "<=" (FG,
// "FAT Type Determination"); at 4,085 and 4,086 drivers disagree (dosfstools,
// mkfs.fat.c).
func TestTypeByCount(t *testing.T) {
	for _, c := range []struct {
		clusters int64
		kind     fat.Kind
		finding  string
	}{
		{4068, fat.FAT12, ""}, {4069, fat.FAT12, "fat-type-boundary"}, {4084, fat.FAT12, "fat-type-boundary"},
		{4085, fat.FAT16, "fat-type-boundary"}, {4086, fat.FAT16, "fat-type-boundary"}, {4102, fat.FAT16, ""},
		{65508, fat.FAT16, ""}, {65524, fat.FAT16, "fat-type-boundary"},
	} {
		before := int64(1 + 32 + 2*256)
		d := plain(t, small16)
		poke(d, 13, 1)
		poke(d, 22, le16(256)...)
		poke(d, 19, 0, 0)
		poke(d, 32, le32(uint32(before+c.clusters))...)
		v, err := fat.Read(d)
		if err != nil {
			t.Fatal(err)
		}
		if v.Kind != c.kind || int64(v.Clusters) != c.clusters || strings.Contains(codes(v.Findings), "boundary") != (c.finding != "") {
			t.Errorf("%d: %s of %d clusters, %s", c.clusters, v.Kind, v.Clusters, codes(v.Findings))
		}
	}
}

// F04: at most 268,435,445 clusters, so that none has the number 0FFFFFF7h (FG,
// "FAT Data Structure"; Microsoft KB 184006).
func TestMostClusters(t *testing.T) {
	for _, c := range []struct {
		clusters uint32
		ok       bool
	}{{268435445, true}, {268435446, false}} {
		d := plain(t, small32)
		for _, sector := range []int64{0, 6} {
			poke(d, sector*512+36, le32(1<<21)...)
			poke(d, sector*512+32, le32(32+2*(1<<21)+c.clusters)...)
		}
		v, err := fat.Read(d)
		if (err == nil) != c.ok || c.ok && v.Clusters != c.clusters {
			t.Errorf("%d clusters: %v", c.clusters, err)
		}
	}
}

// What is not a FAT volume is never taken for one, and what is a broken one is
// called so.
func TestRefusals(t *testing.T) {
	for _, c := range []struct {
		name  string
		o     format.Options
		do    func(d *imagetest.Disk)
		fault disk.Fault
		at    int
	}{
		{"blank", small16, func(d *imagetest.Disk) { poke(d, 0, make([]byte, 512)...) }, disk.Absent, 510},
		{"55AA alone", small16, func(d *imagetest.Disk) { poke(d, 0, make([]byte, 510)...) }, disk.Absent, 11},
		{"bytes per sector 0", small16, func(d *imagetest.Disk) { poke(d, 11, 0, 0) }, disk.Malformed, 11},
		{"bytes per sector 513", small16, func(d *imagetest.Disk) { poke(d, 11, 1) }, disk.Malformed, 11},
		{"bytes per sector 8192", small16, func(d *imagetest.Disk) { poke(d, 11, 0, 32) }, disk.Malformed, 11},
		{"sectors per cluster 0", small16, func(d *imagetest.Disk) { poke(d, 13, 0) }, disk.Malformed, 13},
		{"sectors per cluster 3", small16, func(d *imagetest.Disk) { poke(d, 13, 3) }, disk.Malformed, 13},
		{"reserved 0", small16, func(d *imagetest.Disk) { poke(d, 14, 0, 0) }, disk.Malformed, 14},
		{"no table", small16, func(d *imagetest.Disk) { poke(d, 16, 0) }, disk.Malformed, 16},
		{"media 00", small16, func(d *imagetest.Disk) { poke(d, 21, 0) }, disk.Malformed, 21},
		{"media F7", small16, func(d *imagetest.Disk) { poke(d, 21, 0xF7) }, disk.Malformed, 21},
		{"no root", small16, func(d *imagetest.Disk) { poke(d, 17, 0, 0) }, disk.Malformed, 17},
		{"total 0", small16, func(d *imagetest.Disk) { poke(d, 19, 0, 0) }, disk.Malformed, 32},
		{"total too small", small16, func(d *imagetest.Disk) { poke(d, 19, 20, 0) }, disk.Malformed, 32},
		{"too many for FAT16", small16, func(d *imagetest.Disk) { poke(d, 19, 0, 0); poke(d, 32, le32(1<<30)...) }, disk.Malformed, 32},
		{"NTFS", small16, func(d *imagetest.Disk) { poke(d, 3, []byte("NTFS    ")...); poke(d, 54, make([]byte, 8)...) }, disk.Absent, 3},
		{"HPFS", small16, func(d *imagetest.Disk) { poke(d, 54, []byte("HPFS    ")...) }, disk.Absent, 54},
		{"version 1", small32, func(d *imagetest.Disk) { poke(d, 42, 1) }, disk.Unsupported, 42},
	} {
		t.Run(c.name, func(t *testing.T) {
			d := plain(t, c.o)
			c.do(d)
			v, err := fat.Read(d)
			var f *disk.FormatError
			if !errors.As(err, &f) || f.Fault != c.fault || f.Offset != c.at || v != nil {
				t.Errorf("%v, want fault %d at byte %d", err, c.fault, c.at)
			}
		})
	}
}

// The source's sectors are the unit of every address; its sectors may be
// smaller than the volume's, never larger.
func TestSectorSizes(t *testing.T) {
	o := format.Options{Sectors: 70000, BytesPerSector: 2048, Kind: fat.FAT32, SectorsPerCluster: 1}
	d := plain(t, o)
	raw, err := image.ReadSectors(d, disk.Span{Count: 40000})
	if err != nil {
		t.Fatal(err)
	}
	v, err := fat.Read(imagetest.NewBytes(raw, 512))
	if err != nil {
		t.Fatal(err)
	}
	if v.PerSector != 4 || v.Sectors != 280000 || v.TableSpan(0).Start != 128 || !strings.Contains(codes(v.Findings), "fat-sector-size-differs") {
		t.Errorf("%d, %d, %s: %s", v.PerSector, v.Sectors, v.TableSpan(0), codes(v.Findings))
	}
	var f *disk.FormatError
	if _, err := fat.Read(imagetest.NewBytes(raw, 4096)); !errors.As(err, &f) || f.Fault != disk.Unsupported {
		t.Errorf("sectors larger than the volume's: %v", err)
	}
}

// F18: the backup boot sector of FAT32, sector 6.
func TestBackupAnswers(t *testing.T) {
	for name, spoil := range map[string]func(*imagetest.Disk) image.Source{
		"blank":   func(d *imagetest.Disk) image.Source { poke(d, 0, make([]byte, 512)...); return d },
		"damaged": func(d *imagetest.Disk) image.Source { poke(d, 13, 0); return d },
		"unreadable": func(d *imagetest.Disk) image.Source {
			return &imagetest.Faulty{Source: d, Bad: disk.Spans{{Start: 0, Count: 1}}}
		},
	} {
		v, err := fat.Read(spoil(plain(t, small32)))
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if v.BootSector != 6 || v.Findings[len(v.Findings)-1].Code != "fat-boot-from-backup" {
			t.Errorf("%s: boot sector %d, %s", name, v.BootSector, codes(v.Findings))
		}
	}
	d := plain(t, small32)
	poke(d, 0, make([]byte, 512)...)
	poke(d, 32*512, make([]byte, 4)...)
	poke(d, int64(32+(mustRead(t, plain(t, small32)).BPB.SectorsPerFAT()))*512, make([]byte, 4)...)
	if _, err := fat.Read(d); err == nil {
		t.Error("a backup under something else was believed")
	}
}

func mustRead(t testing.TB, src image.Source) *fat.Volume {
	t.Helper()
	v, err := fat.Read(src)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// F17, F19: FSInfo and the dirty flags; F09: a table that is too small.
func TestBootFindings(t *testing.T) {
	for _, c := range []struct {
		code string
		o    format.Options
		do   func(d *imagetest.Disk)
	}{
		{"", small32, func(*imagetest.Disk) {}},
		{"", small16, func(*imagetest.Disk) {}},
		{"fsinfo-missing", small32, func(d *imagetest.Disk) { poke(d, 512, 0) }},
		{"fsinfo-missing", small32, func(d *imagetest.Disk) { poke(d, 512+508, 1) }},
		{"fsinfo-missing", small32, func(d *imagetest.Disk) { poke(d, 48, 0xFF, 0xFF); poke(d, 6*512+48, 0xFF, 0xFF) }},
		{"boot-backup-differs", small32, func(d *imagetest.Disk) { poke(d, 6*512+90, 1) }},
		{"", small32, func(d *imagetest.Disk) { poke(d, 6*512+65, 1) }},
		{"fat-dirty", small32, func(d *imagetest.Disk) { poke(d, 65, 1) }},
		{"fat-dirty fat-io-errors-noted", small16, func(d *imagetest.Disk) { poke(d, 37, 3) }},
		{"fat-no-55aa", small16, func(d *imagetest.Disk) { poke(d, 510, 0, 0) }},
		{"fat-table-too-small", small16, func(d *imagetest.Disk) { poke(d, 22, 18) }},
		{"fat-sizes-differ", small16, func(d *imagetest.Disk) { poke(d, 32, 9) }},
		{"fat-cut-off", small16, func(d *imagetest.Disk) { poke(d, 19, le16(20001)...) }},
		{"fat-one-active-table", small32, func(d *imagetest.Disk) { poke(d, 40, 0x81); poke(d, 6*512+40, 0x81) }},
		{"fat-active-table-invalid fat-one-active-table", small32, func(d *imagetest.Disk) { poke(d, 40, 0x82); poke(d, 6*512+40, 0x82) }},
	} {
		d := plain(t, c.o)
		c.do(d)
		if got := codes(mustRead(t, d).Findings); got != c.code {
			t.Errorf("findings %q, want %q", got, c.code)
		}
	}
}

// F24: FG, end of "Boot Sector and BPB Structure". A smaller volume than its
// partition is legal, a larger one is seriously damaged.
func TestPlace(t *testing.T) {
	o := small16
	o.Hidden = 63
	v := mustRead(t, plain(t, o))
	for _, c := range []struct {
		base, length disk.Sector
		want         string
	}{
		{63, 20000, ""}, {63, 100000, ""}, {63, 19999, "fat-larger-than-partition"}, {64, 20000, "hidden-sectors-differ"},
	} {
		if got := codes(v.CheckPlace(c.base, c.length)); got != c.want {
			t.Errorf("at %d+%d: %q, want %q", c.base, c.length, got, c.want)
		}
	}
}

func TestLayout(t *testing.T) {
	o := small32
	o.Label, o.ID = "TRACKS", 0x12345678
	l := mustRead(t, plain(t, o)).Layout(2048, 1)
	if l.Kind != "fat32" || l.Label != "TRACKS" || l.ID != "1234-5678" || l.Start != 2048 || l.Count != 70000 || l.ClusterBytes != 512 || !l.Sized {
		t.Errorf("%+v", l)
	}
	if len(l.Meaning) != 2 || l.Meaning[0] != (disk.Span{Start: 2048, Count: 2}) || l.Meaning[1] != (disk.Span{Start: 2054, Count: 1}) {
		t.Errorf("meaning %v", l.Meaning)
	}
}
