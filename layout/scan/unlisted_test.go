package scan

import (
	"slices"
	"testing"

	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout"
	"bootgraft/layout/layouttest/disks"
)

// A device of a layout of its own keeps a volume behind its head, as mkfs.fat and mke2fs made
// it (testdata/fat and testdata/ext). No table names it.
func TestVolumeThatNoTableNames(t *testing.T) {
	for name, c := range map[string]struct {
		kind    string
		sectors disk.Sector // BPB_TotSec16 or 32 (FG), or s_blocks_count in blocks of 1 KiB
	}{
		"fat/fat12.txt": {"fat12", 352}, "fat/fat16.txt": {"fat16", 4192}, "fat/fat32.txt": {"fat32", 66_688},
		"ext/ext2.txt": {"ext2", 256},
	} {
		t.Run(c.kind, func(t *testing.T) {
			v := imagetest.Load(t, "../../testdata/"+name)
			d := imagetest.New(200_000, 512)
			disks.Noise(d, at(0, 3), 1)
			disks.Insert(d, 8192, v)
			s := survey(t, d)
			if len(s.Volumes) > 0 || len(s.Unlisted) != 1 {
				t.Fatalf("volumes %v, unlisted %v; %v", s.Volumes, s.Unlisted, s.Findings)
			}
			if u := s.Unlisted[0]; u.Kind != c.kind || u.Span != at(8192, c.sectors) {
				t.Errorf("%s %s, want %s %s", u.Kind, u.Span, c.kind, at(8192, c.sectors))
			}
			if n := count(s.Findings, disk.VolumeUnlisted); n != 1 {
				t.Errorf("told %d times: %v", n, s.Findings)
			}
		})
	}
}

// A long blank inside the volume makes no tail of what follows it there: on a smaller card it
// would leave its place. What lies behind the volume is one.
func TestNoTailInsideAVolumeThatNoTableNames(t *testing.T) {
	const end = 8192 + 4192
	for name, behind := range map[string]bool{"nothing behind it": false, "three sectors behind it": true} {
		t.Run(name, func(t *testing.T) {
			d := imagetest.New(20_000, 512)
			disks.Noise(d, at(0, 3), 1)
			disks.Insert(d, 8192, imagetest.Load(t, "../../testdata/fat/fat16.txt"))
			disks.Noise(d, at(end-5, 5), 2)
			want := disk.Span{}
			if behind {
				disks.Noise(d, at(end+2, 3), 3)
				want = disk.Between(end, 20_000)
			}
			var tail disk.Span
			for _, r := range survey(t, d).Regions {
				if r.Role == layout.RoleTail {
					tail = r.Span
				}
			}
			if tail != want {
				t.Errorf("the tail is %s, want %s", tail, want)
			}
		})
	}
}

// What only looks like the first sector of a volume is not told.
func TestNoVolumeIsSeenWhereNoneIs(t *testing.T) {
	d := imagetest.New(200_000, 512)
	disks.Noise(d, at(0, 3), 1)
	boot := imagetest.Load(t, "../../testdata/fat/fat16.txt")
	b := make([]byte, 512)
	if _, err := boot.ReadAt(b, 0); err != nil {
		t.Fatal(err)
	}
	clear(b[11:62]) // all that describes the volume
	for i := range disk.Sector(2 * mostBegins) {
		d.Put(9000+i, b)
	}
	if s := survey(t, d); len(s.Unlisted) > 0 || slices.Contains(imagetest.Codes(s.Findings), "volume-unlisted") {
		t.Errorf("%v; %v", s.Unlisted, s.Findings)
	}
}

func count(all []disk.Finding, code disk.Code) (n int) {
	for _, f := range all {
		if f.Code == code {
			n++
		}
	}
	return n
}
