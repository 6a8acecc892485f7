package scan

import (
	"bytes"
	"context"
	"errors"
	"io"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout"
	"bootgraft/layout/layouttest/disks"
	"bootgraft/layout/table/gpt"
	"bootgraft/layout/volume/fat"
)

// look is what a case expects of a survey.
type look struct {
	table   string
	tables  string   // kind:state of each, in order
	codes   []string // that must be among the findings
	volumes []string // index:kind
	roles   map[layout.Role]disk.Span
}

func at(start, count disk.Sector) disk.Span { return disk.Span{Start: start, Count: count} }

func (w look) check(t *testing.T, s *layout.Map) {
	t.Helper()
	var tables, volumes []string
	for _, x := range s.Tables {
		tables = append(tables, x.Kind+":"+string(x.State))
	}
	for _, v := range s.Volumes {
		volumes = append(volumes, string(rune('0'+v.Index))+":"+v.Kind)
	}
	if s.Table != w.table || strings.Join(tables, " ") != w.tables || !slices.Equal(volumes, w.volumes) {
		t.Errorf("table %q, tables %q, volumes %q; want %+v", s.Table, tables, volumes, w)
	}
	for _, code := range w.codes {
		if !slices.Contains(imagetest.Codes(s.Findings), code) {
			t.Errorf("no finding %s among %v", code, s.Findings)
		}
	}
	if len(w.codes) == 0 && len(s.Findings) > 0 {
		t.Errorf("findings %v", s.Findings)
	}
	for role, span := range w.roles {
		if !slices.ContainsFunc(s.Regions, func(r layout.Region) bool { return r.Role == role && r.Span == span }) {
			t.Errorf("no region %s %s among %v", role, span, s.Regions)
		}
	}
}

func entry(start, count disk.Sector) disks.Entry {
	return disks.Entry{Span: at(start, count), Type: 0x0E, Active: true}
}

// song is a disk of 20,000 sectors with one FAT volume in an MBR.
func song() *imagetest.Disk {
	d := imagetest.New(20000, 512)
	disks.MBR(d, entry(63, 9000))
	disks.FAT(d, at(63, 9000), 0, 3000)
	return d
}

// guid is the same with a GUID partition table.
func guid() *imagetest.Disk {
	d := imagetest.New(20000, 512)
	disks.GPT(d, entry(63, 9000))
	disks.FAT(d, at(63, 9000), 0, 3000)
	return d
}

func with(d *imagetest.Disk, change func(*imagetest.Disk)) *imagetest.Disk {
	change(d)
	return d
}

// inSectors is the same disk, read with sectors of another size.
func inSectors(size int, d *imagetest.Disk) *imagetest.Disk {
	b := make([]byte, d.Size())
	if _, err := d.ReadAt(b, 0); err != nil {
		panic(err)
	}
	return imagetest.NewBytes(b, size)
}

func TestTables(t *testing.T) {
	first := entry(63, 100)
	for name, c := range map[string]struct {
		disk *imagetest.Disk
		want look
	}{
		"MBR": {song(), look{table: "mbr", tables: "mbr:in-force", volumes: []string{"1:fat16"},
			roles: map[layout.Role]disk.Span{layout.RoleTable: at(0, 1), layout.RoleVolume: at(63, 9000), layout.RoleGap: at(1, 62)}}},
		"GPT": {guid(), look{table: "gpt", tables: "mbr:in-force gpt:in-force", volumes: []string{"1:fat16"},
			roles: map[layout.Role]disk.Span{layout.RoleTable: at(19967, 33), layout.RoleGap: at(9063, 10904)}}},
		"stale GPT copies on an MBR disk": {
			with(song(), func(d *imagetest.Disk) { disks.GPTHeaders(d, 19999, entry(40, 100)) }),
			look{table: "mbr", tables: "mbr:in-force gpt:stale", codes: []string{"stale-gpt", "claims-conflict"}, volumes: []string{"1:fat16"},
				roles: map[layout.Role]disk.Span{layout.RoleDisputed: at(19967, 33)}}},
		"only the stale second copy": {
			with(song(), func(d *imagetest.Disk) {
				disks.GPTHeaders(d, 19999, entry(40, 100))
				d.Put(1, make([]byte, 33*512))
			}),
			look{table: "mbr", tables: "mbr:in-force gpt:stale", codes: []string{"stale-gpt"}, volumes: []string{"1:fat16"},
				roles: map[layout.Role]disk.Span{layout.RoleDisputed: at(19967, 33), layout.RoleGap: at(1, 62)}}},
		"a bare FAT volume over a GPT disk": {
			with(imagetest.New(9000, 512), func(d *imagetest.Disk) {
				disks.GPT(d, entry(63, 900))
				disks.FAT(d, at(0, 8000), 0, 3000)
			}),
			look{table: "none", tables: "gpt:stale", codes: []string{"stale-gpt"}, volumes: []string{"0:fat12"},
				roles: map[layout.Role]disk.Span{layout.RoleVolume: at(0, 8000), layout.RoleDisputed: at(8967, 33)}}},
		"GPT whose protective record was wiped": {
			with(guid(), func(d *imagetest.Disk) { d.Put(0, make([]byte, 512)) }),
			look{table: "gpt", tables: "gpt:in-force", codes: []string{"protective-mbr-missing"}, volumes: []string{"1:fat16"}}},
		"GPT whose first copy is damaged": {
			with(guid(), func(d *imagetest.Disk) { d.Put(1, make([]byte, 512)) }),
			look{table: "gpt", tables: "mbr:in-force gpt:in-force", codes: []string{"gpt-first-copy-damaged"}, volumes: []string{"1:fat16"},
				roles: map[layout.Role]disk.Span{layout.RoleTable: at(1, 33)}}},
		"GPT with two damaged copies": {
			with(guid(), func(d *imagetest.Disk) {
				d.Put(2, []byte{1})
				d.Put(19967, []byte{1})
			}),
			look{table: "gpt", tables: "mbr:damaged gpt:damaged", codes: []string{"gpt-damaged", "damaged-gpt"},
				roles: map[layout.Role]disk.Span{layout.RoleTable: at(0, 1)}}},
		"GPT of sectors of 4096 bytes": {
			inSectors(512, with(imagetest.New(2500, 4096), func(d *imagetest.Disk) { disks.GPT(d, entry(63, 900)) })),
			look{table: "gpt", tables: "mbr:damaged gpt:damaged", codes: []string{"gpt-damaged", "other-sector-size", "damaged-gpt"}}},
		"GPT of sectors of 512 bytes": {
			inSectors(4096, guid()),
			look{table: "gpt", tables: "mbr:damaged gpt:damaged", codes: []string{"gpt-damaged", "other-sector-size", "damaged-gpt"}}},
		"hybrid that agrees": {
			with(guid(), func(d *imagetest.Disk) {
				disks.MBR(d, disks.Entry{Span: at(1, 33), Type: 0xEE}, entry(63, 9000))
			}),
			look{table: "gpt", tables: "mbr:in-force gpt:in-force", codes: []string{"hybrid-mbr"}, volumes: []string{"1:fat16"}}},
		"hybrid that contradicts": {
			with(guid(), func(d *imagetest.Disk) {
				disks.MBR(d, disks.Entry{Span: at(1, 33), Type: 0xEE}, entry(63, 9100))
			}),
			look{table: "conflict", tables: "mbr:disputed gpt:disputed", codes: []string{"hybrid-mbr", "tables-conflict"}}},
		"MBR and Apple": {
			with(fixture("apple/three.txt"), func(d *imagetest.Disk) { disks.MBR(d, entry(70, 20)) }),
			look{table: "conflict", tables: "mbr:disputed apple:disputed", codes: []string{"tables-conflict", "claims-conflict"}}},
		"bare FAT with 55 AA": {
			with(imagetest.New(8000, 512), func(d *imagetest.Disk) { disks.FAT(d, at(0, 8000), 0, 3000) }),
			look{table: "none", volumes: []string{"0:fat12"}, roles: map[layout.Role]disk.Span{layout.RoleVolume: at(0, 8000)}}},
		"bare FAT whose boot code looks like a damaged table": {
			with(imagetest.New(8000, 512), func(d *imagetest.Disk) {
				disks.FAT(d, at(0, 8000), 0, 3000)
				patch(d, 446, "Remove disks or other media.Press any key to restart")
			}),
			look{table: "none", volumes: []string{"0:fat12"}}},
		"bare FAT whose boot code looks like a table": {
			with(imagetest.New(8000, 512), func(d *imagetest.Disk) {
				disks.FAT(d, at(0, 8000), 0, 3000)
				disks.MBR(d, disks.Entry{Span: at(77777, 99999), Type: 0x65})
			}),
			look{table: "none", volumes: []string{"0:fat12"}, codes: []string{"boot-code-not-mbr"}}},
		"bare FAT whose boot sector lists the volume itself": {
			with(imagetest.New(8000, 512), func(d *imagetest.Disk) {
				disks.FAT(d, at(0, 7000), 0, 3000)
				disks.MBR(d, entry(0, 7000))
			}),
			look{table: "none", volumes: []string{"0:fat12"}, codes: []string{"boot-code-not-mbr"}}},
		"bare FAT with a good table in sector 0": {
			with(imagetest.New(8000, 512), func(d *imagetest.Disk) {
				disks.FAT(d, at(0, 7000), 0, 3000)
				disks.MBR(d, entry(7100, 800))
			}),
			look{table: "conflict", tables: "mbr:disputed", volumes: []string{"0:fat12"}, codes: []string{"tables-conflict"}}},
		"55 AA and nothing else": {
			with(imagetest.New(8000, 512), func(d *imagetest.Disk) { disks.MBR(d) }),
			look{table: "none", tables: "mbr:stale", roles: map[layout.Role]disk.Span{layout.RoleBootCode: at(0, 1)}}},
		"an entry past the end": {
			with(imagetest.New(8000, 512), func(d *imagetest.Disk) { disks.MBR(d, first, entry(7000, 2000)) }),
			look{table: "mbr", tables: "mbr:in-force", codes: []string{"entry-past-end"}, roles: map[layout.Role]disk.Span{layout.RoleVolume: at(7000, 1000)}}},
		"overlapping entries": {
			with(imagetest.New(8000, 512), func(d *imagetest.Disk) { disks.MBR(d, entry(100, 200), entry(250, 200)) }),
			look{table: "mbr", tables: "mbr:in-force", codes: []string{"entries-overlap", "claims-conflict"}, roles: map[layout.Role]disk.Span{layout.RoleDisputed: at(250, 50)}}},
		"a FAT volume larger than its entry": {
			with(imagetest.New(20000, 512), func(d *imagetest.Disk) {
				disks.FAT(d, at(63, 9000), 0, 3000)
				disks.MBR(d, entry(63, 8999))
			}),
			look{table: "mbr", tables: "mbr:in-force", codes: []string{"fat-larger-than-partition"}, volumes: []string{"1:fat16"}}},
		"FAT copies that differ": {
			with(song(), func(d *imagetest.Disk) { patch(d, (63+1)*512+9, "x") }),
			look{table: "mbr", tables: "mbr:in-force", codes: []string{"fat-copies-differ"}, volumes: []string{"1:fat16"}}},
		"a boot sector unlike its backup": {
			with(imagetest.New(80000, 512), func(d *imagetest.Disk) {
				disks.MBR(d, entry(63, 70000))
				disks.FAT(d, at(63, 70000), fat.FAT32, 3000)
				patch(d, (63+6)*512+100, "other")
			}),
			look{table: "mbr", tables: "mbr:in-force", codes: []string{"boot-backup-differs"}, volumes: []string{"1:fat32"}}},
	} {
		t.Run(name, func(t *testing.T) {
			c.want.check(t, survey(t, c.disk))
		})
	}
}

func fixture(name string) *imagetest.Disk {
	text, err := readFile(filepath.Join("..", "..", "testdata", name))
	if err != nil {
		panic(err)
	}
	d, err := imagetest.Parse(bytes.NewReader(text))
	if err != nil {
		panic(err)
	}
	return d
}

func patch(d *imagetest.Disk, off int64, text string) {
	if _, err := d.WriteAt([]byte(text), off); err != nil {
		panic(err)
	}
}

// A GPT disk that was copied to a larger one: the second copy lies in the
// middle, and only what follows it can be the tail.
func TestSecondCopyNotAtTheEnd(t *testing.T) {
	old := guid()
	disks.Noise(old, at(15000, 10), 1)
	d := imagetest.New(30000, 512)
	disks.Insert(d, 0, old)
	want := look{table: "gpt", tables: "mbr:in-force gpt:in-force", codes: []string{"gpt-second-copy-not-at-end"}, volumes: []string{"1:fat16"},
		roles: map[layout.Role]disk.Span{layout.RoleGap: at(9063, 10904), layout.RoleTable: at(19967, 33)}}
	want.check(t, survey(t, d))
	disks.Noise(d, at(29000, 10), 2)
	want.roles[layout.RoleTail] = at(29000, 1000)
	want.check(t, survey(t, d))
}

// What lies where the second copy should be, and is none, belongs to nobody:
// it may be a tail.
func TestTailInPlaceOfTheSecondCopy(t *testing.T) {
	d := guid()
	disks.Noise(d, at(19970, 30), 1)
	s := survey(t, d)
	look{table: "gpt", tables: "mbr:in-force gpt:in-force", codes: []string{"gpt-second-copy-missing"}, volumes: []string{"1:fat16"},
		roles: map[layout.Role]disk.Span{layout.RoleTail: at(19967, 33)}}.check(t, s)
	if g, err := gpt.Read(d); err != nil || g.ShownBackup() != nil {
		t.Errorf("second copy at %v: %v", g.ShownBackup(), err)
	}
}

// A table that counts in sectors of 4,096 bytes, read with 512.
func TestOtherSectorSize(t *testing.T) {
	d := imagetest.New(4000, 4096)
	disks.MBR(d, entry(16, 3000))
	disks.FAT(d, at(16, 3000), fat.FAT12, 3000)
	as512 := imagetest.NewBytes(imagetest.Head(t, d, d.Size()), 512)
	if codes := imagetest.Codes(survey(t, as512).Findings); !slices.Contains(codes, "other-sector-size") {
		t.Errorf("findings %q", codes)
	}
	look{table: "mbr", tables: "mbr:in-force", volumes: []string{"1:fat12"}}.check(t, survey(t, d))
}

func TestTinyAndOddImages(t *testing.T) {
	for _, n := range []int{0, 1, 511} {
		if _, err := Run(context.Background(), imagetest.NewBytes(make([]byte, n), 512), Options{}); err == nil || !strings.Contains(err.Error(), "less than one sector") {
			t.Errorf("%d bytes: %v", n, err)
		}
	}
	for _, n := range []int{512, 513, 1023, 1024, 1025, 5000} {
		b := bytes.Repeat([]byte{'x'}, n)
		s := survey(t, imagetest.NewBytes(b, 512))
		if s.OddBytes != n%512 || slices.Contains(imagetest.Codes(s.Findings), "odd-bytes") != (n%512 > 0) {
			t.Errorf("%d bytes: %d odd, %v", n, s.OddBytes, s.Findings)
		}
		// H04-like: the digest of one byte 'x', by sha256sum of coreutils.
		if n == 513 && s.OddSHA256 != "2d711642b726b04401627ca9fbac32f5c8530fb1903cc4db02258717921a4881" {
			t.Errorf("digest of the odd byte: %s", s.OddSHA256)
		}
	}
}

func TestRandomBytes(t *testing.T) {
	for seed := range uint64(20) {
		r := rand.New(rand.NewPCG(seed, 0))
		b := make([]byte, 512*(1+r.IntN(500)))
		for i := range b {
			b[i] = byte(r.Uint32())
		}
		s := survey(t, imagetest.NewBytes(b, 512))
		if s.Table != "none" || len(s.Volumes) > 0 {
			t.Errorf("seed %d: %s, %v", seed, s.Table, s.Volumes)
		}
	}
}

func TestUnreadableSectorIsNamed(t *testing.T) {
	broken := errors.New("the drive said no")
	for _, x := range []disk.Sector{0, 1, 63, 64, 9500, 19999} {
		_, err := Run(context.Background(), &imagetest.Faulty{Source: song(), Bad: disk.Spans{at(x, 1)}, Err: broken}, Options{})
		switch {
		case x == 63 || x == 64: // inside the volume: what cannot be read of it is for its reader to say
			if err != nil && !errors.Is(err, broken) {
				t.Errorf("sector %d: %v", x, err)
			}
		case !errors.Is(err, broken) || !strings.Contains(err.Error(), "sector"):
			t.Errorf("sector %d: %v", x, err)
		case x == 9500 && !strings.Contains(err.Error(), "reading sector 9,500 (byte 4,864,000)"):
			t.Errorf("sector %d: %v", x, err)
		}
	}
	gone := &imagetest.Faulty{Source: song(), Bad: disk.Spans{at(9500, 1)}}
	if _, err := Run(context.Background(), gone, Options{}); !errors.Is(err, io.ErrUnexpectedEOF) {
		t.Errorf("a source that ends early: %v", err)
	}
}

func TestCancelled(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := Run(ctx, song(), Options{}); !errors.Is(err, context.Canceled) {
		t.Errorf("got %v", err)
	}
}

func TestUnknownSectorsAreCountedNotRead(t *testing.T) {
	d := song()
	disks.Noise(d, at(15000, 10), 1)
	s := survey(t, image.NewKnown(d, disk.Spans{at(10, 5), at(15002, 3)}, nil))
	var gap, tail layout.Content
	for _, r := range s.Regions {
		switch {
		case r.Role == layout.RoleTail:
			tail = r.Content
		case r.Start == 1:
			gap = r.Content
		}
	}
	if gap.Unread != 5 || gap.Blank || gap.SHA256 != "" || tail.Unread != 3 || tail.NonBlank != 7 || tail.First != 15000 || tail.Last != 15009 {
		t.Errorf("gap %+v, tail %+v", gap, tail)
	}
	lost := survey(t, image.NewKnown(d, disk.Spans{at(0, 1)}, nil))
	look{table: "none", codes: []string{"table-not-known"}}.check(t, lost)
}
