package fit

import (
	"strings"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout/layouttest/disks"
	"bootgraft/layout/table/mbr"
	"bootgraft/layout/volume/fat"
)

// TestHeadsByCapacity: where the heads that follow from the capacity change with the
// card, it is said; as a warning where the drive is counted so itself. 16 heads reach
// 1024 * 16 * 63 = 1,032,192 sectors (ATA-3, Annex B), 32 heads 2,064,384 (dosfstools,
// src/mkfs.fat.c).
func TestHeadsByCapacity(t *testing.T) {
	drive := func(sectors disk.Sector, heads uint16) *imagetest.Disk {
		d := imagetest.New(sectors, 512)
		disks.MBR(d, entry(63, 90_000))
		songs(t, d, 63, 90_000, fat.FAT16, 4)
		b, err := image.ReadSector(d, 63)
		if err != nil {
			t.Fatal(err)
		}
		fat.SetGeometry(b, heads, 63)
		d.Put(63, b)
		return d
	}
	for _, c := range []struct {
		name        string
		drive, card disk.Sector
		heads       uint16
		asked       *mbr.Geometry
		severity    disk.Severity // none: nothing is said
		says        string
	}{
		{"same heads", 100_000, 1_032_192, 16, nil, "", ""},
		{"one sector more", 100_000, 1_032_193, 16, nil, disk.Warning, "A card of at most 1,032,192 sectors keeps the heads"},
		{"smaller", 2_064_385, 2_064_384, 64, nil, disk.Warning, "A card of at least 2,064,385 sectors keeps the heads"},
		{"the largest", 8_257_537, 4_200_000, 255, nil, disk.Warning, "A card of at least 8,257,537 sectors keeps the heads"},
		{"counted otherwise", 100_000, 2_000_000, 255, nil, disk.Note,
			"Volume 1 counts 255 heads, so the drive was not counted by its capacity"},
		{"as asked", 100_000, 2_000_000, 16, &mbr.Geometry{Heads: 32, SectorsPerTrack: 63}, disk.Note,
			"are made to count 32 heads"},
	} {
		d := drive(c.drive, c.heads)
		w := size(c.card)
		w.Volumes.Heads = c.asked
		p, err := Plan(t.Context(), d, survey(t, d), w)
		if err != nil {
			t.Fatalf("%s: %v", c.name, err)
		}
		var got disk.Finding
		for _, f := range p.Findings {
			if f.Code == disk.HeadsByCapacity {
				got = f
			}
		}
		if got.Severity != c.severity || !strings.Contains(got.Text, c.says) {
			t.Errorf("%s: %s %q", c.name, got.Severity, got.Text)
		}
	}
	bare := imagetest.New(100_000, 512)
	if p, err := Plan(t.Context(), bare, survey(t, bare), size(2_000_000)); err != nil ||
		hasCode(p.Findings, string(disk.HeadsByCapacity)) {
		t.Errorf("nobody counts on a disk that nobody knows: %v", err)
	}
}
