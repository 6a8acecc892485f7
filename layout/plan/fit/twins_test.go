package fit

import (
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	rig "bootgraft/image/imagetest/need"
	"bootgraft/layout/layouttest/disks"
	"bootgraft/layout/volume/fat"
)

// fat32 is a FAT32 volume in an MBR; its boot sectors have copies at 6 to 8
// (F18: Microsoft FAT: General Overview of On-Disk Format v1.03).
func fat32() *imagetest.Disk {
	d := imagetest.New(80000, 512)
	disks.MBR(d, entry(63, 70000))
	disks.FAT(d, at(63, 70000), fat.FAT32, 30000)
	return d
}

func TestTwinsAnswer(t *testing.T) {
	t.Parallel()
	for name, lost := range map[string]disk.Spans{
		"first boot sector F18":  {at(63, 1)},
		"FSInfo F18":             {at(64, 1)},
		"all three F18":          {at(63, 3)},
		"the backups F18":        {at(69, 3)},
		"start of table 0":       {at(63+32, 1)},
		"parts of both tables":   {at(63+32+3, 5), at(63+32+8+540, 3)},
		"boot sectors and table": {at(63, 2), at(63+32+10, 400)},
	} {
		t.Run(name, func(t *testing.T) {
			d := fat32()
			src := image.NewKnown(d, lost, nil)
			for _, n := range []disk.Sector{80000, 90000, 75000} {
				p := mustPlan(t, src, size(n))
				if !slices.Contains(imagetest.Codes(p.Findings), "twin-used") {
					t.Errorf("%+v", p.Findings)
				}
				c := mustCard(t, p, src)
				if x := differ(t, image.NewWindow(c, at(1, 71000)), image.NewWindow(d, at(1, 71000))); x >= 0 {
					t.Errorf("sector %d differs", x+1)
				}
			}
		})
	}
}

// Without an intact twin a sector is missing: both copies are lost, or the
// tables are not kept alike.
func TestNoTwinNoAnswer(t *testing.T) {
	first, second := at(63+32, 1), at(63+32+disk.Sector(fat32Table(t)), 1)
	both := image.NewKnown(fat32(), disk.NewSpans(first, second), nil)
	one := fat32()
	for _, x := range []disk.Sector{63, 69} {
		if _, err := one.WriteAt([]byte{0x80}, int64(x)*512+40); err != nil { // BPB_ExtFlags: only table 0 is active
			t.Fatal(err)
		}
	}
	for name, src := range map[string]image.Source{"both lost": both,
		"not mirrored": image.NewKnown(one, disk.Spans{first}, nil)} {
		if _, err := tryPlan(t, src, size(80000)); err == nil || !strings.Contains(err.Error(), "missing-in-volume") {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func fat32Table(t *testing.T) int64 {
	t.Helper()
	return int64(fatOf(t, fat32(), survey(t, fat32()), 1).TableSpan(0).Count)
}

// A copy of the GPT with missing sectors is made from the other, also on a
// card of the same size, where everything else stays as it is.
func TestGPTTwin(t *testing.T) {
	for name, lost := range map[string]disk.Spans{
		"first header": {at(1, 1)}, "first array": {at(5, 3)}, "second header": {at(19999, 1)},
		"second array": {at(19970, 2)},
	} {
		t.Run(name, func(t *testing.T) {
			d := guid()
			src := image.NewKnown(d, lost, nil)
			w := size(20000)
			if name == "second header" { // then nothing shows where the second copy is
				w.Accept = []disk.Code{"missing-in-boot-area"}
				mustPlan(t, src, w)
				return
			}
			p := mustPlan(t, src, w)
			if x := differ(t, mustCard(t, p, src), d); x >= 0 || !slices.Contains(imagetest.Codes(p.Findings), "twin-used") {
				t.Errorf("sector %d differs; %+v", x, p.Findings)
			}
			mustPlan(t, src, size(30000))
		})
	}
}

// Whatever is damaged or not known, the plan of any card keeps its promises,
// or is refused in words: no other error, and nothing lost in silence.
func TestDamagedAndPartlyKnownDisks(t *testing.T) {
	t.Parallel()
	everything := []disk.Code{"missing-in-boot-area", "missing-in-volume", "tables-conflict", "gpt-damaged",
		"fat-larger-than-partition", disk.UnknownVolumeCut, disk.StaleTableCut}
	planned := 0
	for _, seed := range rig.Seeds(15, 800) {
		d := disks.NewRandom(seed)
		r := rand.New(rand.NewPCG(uint64(seed), 8))
		for range r.IntN(20) {
			if _, err := d.WriteAt([]byte{byte(r.Uint32())}, r.Int64N([]int64{600, 40 * 512, d.Size()}[r.IntN(3)])); err != nil {
				t.Fatal(err)
			}
		}
		var lost disk.Spans
		for range r.IntN(5) {
			lost = lost.Union(disk.Spans{at(disk.Sector(r.IntN(int(d.Sectors)-40)), disk.Sector(1+r.IntN(40)))})
		}
		src := once(t, image.NewKnown(d, lost, nil))
		for _, tail := range []Tail{"", TailSamePlace, TailDrop} {
			w := size(1 + disk.Sector(r.IntN(2*int(d.Sectors))))
			w.Tail, w.Accept = tail, everything
			p, err := tryPlan(t, src, w)
			if err != nil {
				continue
			}
			planned++
			if err := checkPlan(p, src.Source); err != nil {
				t.Errorf("seed %d, tail %q, %d sectors: %v in %s", seed, tail, w.Target.Sectors, err, d)
			}
			survey(t, mustCard(t, p, src.Source).Known())
		}
	}
	if planned == 0 {
		t.Error("nothing was planned")
	}
}
