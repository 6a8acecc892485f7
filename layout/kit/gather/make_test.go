package gather

import (
	"bytes"
	"context"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/image/imagetest/need"
	"bootgraft/layout"
	"bootgraft/layout/kit"
	"bootgraft/layout/layouttest/disks"
	"bootgraft/layout/scan"
)

// kitOf makes a kit of a disk and opens it.
func kitOf(t *testing.T, d image.Source) (*layout.Map, *kit.Kit) {
	t.Helper()
	s, err := scan.Run(context.Background(), d, scan.Options{})
	if err != nil {
		t.Fatal(err)
	}
	ends := disk.Sector((64 << 20) / d.SectorSize())
	k, err := Make(context.Background(), d, s, Options{Ends: Ends{ends, ends}})
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	if _, err := kit.Write(&b, &k.Contents); err != nil {
		t.Fatal(err)
	}
	out, err := kit.Open(bytes.NewReader(b.Bytes()), int64(b.Len()))
	if err != nil {
		t.Fatal(err)
	}
	return s, out
}

// Whatever is on a disk: all that lies outside its volumes is in the kit, byte for
// byte but for what it says was overwritten, and of a volume nothing is but what
// lies before its tables or behind its end.
func TestKitHoldsTheBootAreasAndNothingElse(t *testing.T) {
	t.Parallel()
	for _, seed := range need.Seeds(40, 2000) {
		d := disks.NewRandom(seed)
		s, k := kitOf(t, d.Disk)
		whole := image.Whole(d.Disk)
		known := k.Unknown(whole).Outside(whole)
		for _, r := range s.Regions {
			if r.Role == layout.RoleVolume || r.Role == layout.RoleDisputed || !layoutKnown(s) {
				continue
			}
			if lost := disk.NewSpans(known...).Outside(r.Span); len(lost) > 0 {
				t.Fatalf("seed %d: %s: sectors %v of %s are not in the kit", seed, d, lost, r.Name)
			}
		}
		private := privateSpans(s)
		for _, stored := range k.Spans {
			if hit := private.Within(stored.Span); stored.State == kit.Stored && len(hit) > 0 && layoutKnown(s) {
				t.Fatalf("seed %d: %s: sectors %v of a volume are in the kit as %s", seed, d, hit, stored.What)
			}
		}
		equalButMarked(t, d.Disk, k, known)
	}
}

// privateSpans returns what volumes keep their files in, and entries that hold no
// volume known here.
func privateSpans(s *layout.Map) disk.Spans {
	var out, own disk.Spans
	for _, t := range s.Tables {
		own = own.Union(t.Own)
	}
	for _, r := range s.Regions {
		if r.Role != layout.RoleVolume {
			continue
		}
		private := r.Span
		for _, v := range s.Volumes {
			if v.Start != r.Start {
				continue
			}
			private = v.Span.Common(r.Span)
			for _, boot := range v.PartsOf(layout.PartBoot) {
				private = disk.Between(boot.End(), private.End())
			}
		}
		out = append(out, own.Outside(private)...)
	}
	return disk.NewSpans(out...)
}

// equalButMarked wants the known sectors of a kit to be those of the disk, with
// other bytes only where the kit says so.
func equalButMarked(t *testing.T, d image.Source, k *kit.Kit, known disk.Spans) {
	t.Helper()
	for _, span := range known {
		have, err := image.ReadSectors(k, span)
		if err != nil {
			t.Fatal(err)
		}
		want, err := image.ReadSectors(d, span)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range k.Blanked {
			if span.Holds(m.Sector) {
				at := int(m.Sector-span.Start)*k.SectorSize() + m.Offset
				copy(want[at:], have[at:at+m.Count])
			}
		}
		if !bytes.Equal(have, want) {
			t.Fatalf("sectors %s differ from the disk", span)
		}
	}
}

// A driver in an entry of an Apple partition map starts the machine: it is a boot
// area, and the volume beside it is not (Inside Macintosh: Devices, chapter 3).
func TestKitHoldsDrivers(t *testing.T) {
	d := imagetest.Load(t, "../../../testdata/apple/three.txt")
	entry := disk.Span{Start: 64, Count: 2000} // the second of the map
	disks.Noise(d, disk.Span{Start: 64, Count: 3}, 1)
	if _, k := kitOf(t, d); k.Unknown(entry).Sectors() != entry.Count {
		t.Error("sectors of a volume are in the kit")
	}
	if _, err := d.WriteAt([]byte("Apple_Driver43\x00"), 2*512+0x30); err != nil {
		t.Fatal(err)
	}
	if _, k := kitOf(t, d); len(k.Unknown(entry)) > 0 {
		t.Errorf("sectors of a driver are not in the kit: %v", k.Unknown(entry))
	}
}
