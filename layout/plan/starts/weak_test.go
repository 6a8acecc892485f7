package starts_test

import (
	"bytes"
	"encoding/binary"
	"errors"
	"io"
	"slices"
	"strings"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout"
	"bootgraft/layout/layouttest/disks"
	"bootgraft/layout/plan"
	"bootgraft/layout/plan/fit"
	"bootgraft/layout/plan/starts"
	"bootgraft/layout/scan"
	"bootgraft/layout/scan/link"
	"bootgraft/layout/volume"
	"bootgraft/layout/volume/fat"
	"bootgraft/layout/volume/fat/format"
)

// A small number alone in the code of sector 0 may name a file: where that file lies
// elsewhere on the card it cannot be known whether it starts, and plan asks nothing;
// where it stays nothing is found.
func TestSmallNumberAlone(t *testing.T) {
	d := byName(t, "A.BIN", 3, "B.BIN", 300)
	m, err := scan.Run(t.Context(), d, scan.Options{})
	if err != nil {
		t.Fatal(err)
	}
	first := m.Volume(1).PartsOf(layout.PartData)[0].Start
	if _, err := d.WriteAt(binary.LittleEndian.AppendUint32(nil, uint32(first)), 400); err != nil {
		t.Fatal(err)
	}
	same := fit.Wishes{Target: plan.Size{Sectors: 30_000, SectorSize: 512}}
	if r, asked := judged(t, d, same); r.Answer != starts.NothingFound || len(asked) > 0 {
		t.Errorf("it stays: %s, asked %v: %+v", r.Answer, asked, r.Ways)
	}
	grown := fit.Wishes{Target: plan.Size{Sectors: 60_000, SectorSize: 512},
		Volumes: fit.Volumes{Wish: map[int]volume.Wishes{1: {Mode: volume.Grow}}}}
	r, asked := judged(t, d, grown)
	if text := strings.Join(r.Ways[0].Cannot, "\n"); r.Answer != starts.CannotKnow || len(asked) > 0 ||
		!strings.Contains(text, "byte 400") || !strings.Contains(text, "A.BIN") {
		t.Errorf("it shifts: %s, asked %v: %+v", r.Answer, asked, r.Ways)
	}
}

// What a link names on the card is broken where the plan leaves the card's own bytes: no
// plan puts the target there. Behind the end of the card, the same.
func TestUntouchedSectorsAreNoTarget(t *testing.T) {
	d := byName(t, "GAP.BIN", 9_000, "LOADER.BIN", 20)
	found := linksOf(t, d)
	i := slices.IndexFunc(found.Places(), func(p link.Place) bool { return p.Path == "LOADER.BIN" })
	if _, err := d.WriteAt(binary.BigEndian.AppendUint32(nil, uint32(found.Places()[i].Start)), 200); err != nil {
		t.Fatal(err)
	}
	grown := fit.Wishes{Target: plan.Size{Sectors: 60_000, SectorSize: 512},
		Volumes: fit.Volumes{Wish: map[int]volume.Wishes{1: {Mode: volume.Grow}}}}
	r, asked := judged(t, d, grown)
	if r.Answer == starts.NothingFound || r.Answer == starts.WillNot != slices.Contains(asked, disk.LoaderFileMoves) {
		t.Errorf("%s, asked %v: %+v", r.Answer, asked, r.Ways)
	}
}

// Links of a known list that lead past the end of the drive, or into sectors that the
// source does not know, cannot be known, and neither can unknown boot code: the sector is
// named. Nothing is said not to start.
func TestLostLinksCannotBeKnown(t *testing.T) {
	for name, c := range map[string]struct {
		first   uint64
		unknown disk.Span
		says    string
	}{
		"past the end":      {first: 1 << 40, says: "past the end of the disk"},
		"an unknown target": {first: 5, unknown: disk.Span{Start: 5, Count: 1}, says: "sector 5"},
		"an unknown gap":    {first: 5, unknown: disk.Span{Start: 9, Count: 3}, says: "sectors 9 to 11"},
	} {
		d := byName(t, "A.BIN", 30)
		b := make([]byte, 440)
		binary.LittleEndian.PutUint64(b[0x5C:], c.first)
		copy(b[0x180:], "GRUB \x00Geom\x00Hard Disk\x00Read\x00 Error") // boot.S of GRUB 2.06
		if _, err := d.WriteAt(b, 0); err != nil {
			t.Fatal(err)
		}
		disks.Noise(d, disk.Span{Start: 1, Count: 20}, 5)
		if _, err := d.WriteAt(make([]byte, 256), 5*512+256); err != nil { // no further list
			t.Fatal(err)
		}
		src := image.Source(d)
		if !c.unknown.Empty() {
			src = image.NewKnown(d, disk.NewSpans(c.unknown), nil)
		}
		r, _ := judged(t, src, fit.Wishes{Target: plan.Size{Sectors: 30_000, SectorSize: 512}})
		if text := strings.Join(r.Ways[0].Cannot, "\n"); r.Answer != starts.CannotKnow || !strings.Contains(text, c.says) {
			t.Errorf("%s: %s: %+v", name, r.Answer, r.Ways)
		}
	}
}

// A tail whose sectors are not known, or cannot be read when they are compared, cannot be
// known, and the sector is named.
func TestTailThatCannotBeRead(t *testing.T) {
	d := byName(t, "A.BIN", 30)
	disks.Noise(d, disk.Span{Start: 23_900, Count: 100}, 8)
	w := fit.Wishes{Target: plan.Size{Sectors: 30_000, SectorSize: 512}, Tail: fit.TailEnd, Excess: fit.ExcessZero}
	m, err := scan.Run(t.Context(), d, scan.Options{})
	if err != nil {
		t.Fatal(err)
	}
	p, err := fit.Plan(t.Context(), d, m, w)
	if err != nil {
		t.Fatal(err)
	}
	found := linksOf(t, d)
	for name, c := range map[string]struct {
		src  image.Source
		says string
	}{
		"not known": {image.NewKnown(d, disk.NewSpans(disk.Span{Start: 23_950, Count: 1}), nil), "sector 23,950"},
		"cannot be read": {&imagetest.Faulty{Source: d, Bad: disk.NewSpans(disk.Span{Start: 23_950, Count: 1}),
			Err: errors.New("the plug is loose")}, "the plug is loose"},
	} {
		r, err := starts.Judge(t.Context(), p, c.src, m, starts.Known{Links: found})
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if text := strings.Join(r.Ways[0].Cannot, "\n"); r.Answer != starts.CannotKnow || !strings.Contains(text, c.says) {
			t.Errorf("%s: %s: %+v", name, r.Answer, r.Ways)
		}
	}
}

// A card for a device that sees only a part of it is judged as the device sees it: a
// table with a second copy at the end that it sees is in force, and a tail there is at the
// end.
func TestDeviceSeesLess(t *testing.T) {
	const sectors, sees, card = 60_000, 80_000, 100_000
	guid := imagetest.New(sectors, 512)
	disks.GPT(guid, disks.Entry{Span: disk.Span{Start: 2048, Count: 50_000}})
	v, err := format.New(io.NewOffsetWriter(guid, 2048*512), format.Options{Sectors: 50_000, Kind: fat.FAT16,
		SectorsPerCluster: 2, Hidden: 2048})
	if err != nil {
		t.Fatal(err)
	}
	body := disks.Recording(4000, 2)
	if err := errors.Join(v.Mkdir("EFI", format.File{}), v.Mkdir("EFI/BOOT", format.File{}),
		v.Add("EFI/BOOT/BOOTX64.EFI", bytes.NewReader(body), int64(len(body)), format.File{}), v.Close()); err != nil {
		t.Fatal(err)
	}
	tailed := byName(t, "A.BIN", 30)
	disks.Noise(tailed, disk.Span{Start: 23_900, Count: 100}, 8)
	for name, d := range map[string]*imagetest.Disk{"gpt": guid, "tail": tailed} {
		r, asked := judged(t, d, fit.Wishes{Target: plan.Size{Sectors: card, SectorSize: 512}, Sees: sees})
		if r.Answer != starts.NothingFound || len(asked) > 0 {
			t.Errorf("%s: %s, asked %v: %+v", name, r.Answer, asked, r.Ways)
		}
		if name == "tail" && !slices.Contains(r.Ways[0].Chain, "the tail lies at its old place and at the end") {
			t.Errorf("the tail: %+v", r.Ways)
		}
	}
}

func linksOf(t *testing.T, d image.Source) *link.Found {
	t.Helper()
	m, err := scan.Run(t.Context(), d, scan.Options{})
	if err != nil {
		t.Fatal(err)
	}
	found, err := link.Find(t.Context(), d, m)
	if err != nil {
		t.Fatal(err)
	}
	return found
}

// A table with an active entry in front of which no code lies is followed by firmware of
// the device's own: no code is called the same.
func TestActiveEntryWithoutCode(t *testing.T) {
	d := imagetest.New(100_000, 512)
	table := make([]byte, 512) // MBR: entry 1 at byte 446, active, type 6, start 63, 50,000 sectors
	table[446], table[450], table[510], table[511] = 0x80, 6, 0x55, 0xAA
	binary.LittleEndian.PutUint32(table[454:], 63)
	binary.LittleEndian.PutUint32(table[458:], 50_000)
	d.Put(0, table)
	r, _ := judged(t, d, fit.Wishes{Target: plan.Size{Sectors: 120_000, SectorSize: 512}})
	if said := strings.Join(r.Ways[0].Chain, "\n"); !strings.Contains(said, "no boot code, as on the original") ||
		strings.Contains(said, "is the same") {
		t.Errorf("said: %s", said)
	}
}
