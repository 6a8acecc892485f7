package fit

import (
	"fmt"
	"math/rand/v2"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	rig "bootgraft/image/imagetest/need"
	"bootgraft/layout"
	"bootgraft/layout/layouttest/disks"
	"bootgraft/layout/volume"
	"bootgraft/layout/volume/fat"
)

// smallestHolds plans the size that a refusal names, and one sector less.
func smallestHolds(t *testing.T, name string, src image.Source, w Wishes) {
	t.Helper()
	_, err := tryPlan(t, src, w)
	if err == nil {
		return
	}
	r := IsRefused(err)
	if r.Smallest == 0 {
		if r.Accepting > 0 {
			t.Errorf("%s: %d with acceptance, and none without", name, r.Accepting)
		}
		return
	}
	check := func(w Wishes, n disk.Sector) {
		w.Target.Sectors = n
		if _, err := tryPlan(t, src, w); err != nil {
			t.Errorf("%s: %d is told to do: %v", name, n, err)
		}
		if w.Target.Sectors--; w.Target.Sectors > 0 {
			if _, err := tryPlan(t, src, w); err == nil {
				t.Errorf("%s: %d is told, and %d does as well", name, n, w.Target.Sectors)
			}
		}
	}
	if r.Smallest != r.Accepting {
		check(w, r.Smallest)
	}
	codes := map[string]bool{}
	for range 4 { // what is asked may show only after something else was accepted
		_, err := tryPlan(t, src, withTarget(w, r.Accepting))
		if err == nil {
			break
		}
		for _, f := range IsRefused(err).Need {
			if !codes[string(f.Code)] {
				codes[string(f.Code)] = true
				w.Accept = append(w.Accept, f.Code)
			}
		}
	}
	check(w, r.Accepting)
}

func withTarget(w Wishes, n disk.Sector) Wishes {
	w.Target.Sectors = n
	return w
}

// dirtyDisk has a FAT16 volume that was not closed, with files in pieces up to
// its middle, and free room between them.
func dirtyDisk(t *testing.T) *imagetest.Disk {
	t.Helper()
	d := imagetest.New(100_000, 512)
	disks.MBR(d, entry(63, 80_000))
	songs(t, d, 63, 80_000, fat.FAT16, 4)
	table := int64(63+1)*512 + 3 // entry 1, its high byte: the clean bit is the highest (FG, "FAT[1]")
	b := make([]byte, 1)
	if _, err := d.ReadAt(b, table); err != nil {
		t.Fatal(err)
	}
	b[0] &^= 0x80
	if _, err := d.WriteAt(b, table); err != nil {
		t.Fatal(err)
	}
	return d
}

func TestSmallestBesideAnAcceptance(t *testing.T) {
	d := once(t, dirtyDisk(t))
	if v := fatOf(t, d, d.s, 1); v == nil || v.Kind != fat.FAT16 {
		t.Fatal("no FAT16 volume")
	}
	_, err := tryPlan(t, d, size(500))
	r := IsRefused(err)
	if r == nil || r.Accepting >= r.Smallest {
		t.Fatalf("with and without fat-dirty: %+v", r)
	}
	smallestHolds(t, "dirty", d, size(500))
	w := size(500)
	w.Volumes.Default.MoveNone = true
	smallestHolds(t, "dirty, unmoved", d, w)
}

// Over random disks and wishes every smallest card that is told is one.
func TestSmallestOfRandomWishes(t *testing.T) {
	t.Parallel()
	for _, seed := range rig.Seeds(5, 300) {
		d := disks.NewRandom(seed)
		r := rand.New(rand.NewPCG(uint64(seed), 11))
		src := once(t, d)
		for range 3 {
			w := randomWishes(r, src.s.Entries, d.Sectors)
			w.Target.Sectors = 1 + disk.Sector(r.IntN(int(d.Sectors)))
			smallestHolds(t, d.String(), src, w)
		}
	}
}

// randomWishes asks anything of a disk.
func randomWishes(r *rand.Rand, entries []layout.Entry, n disk.Sector) Wishes {
	pick := func(list ...string) string { return list[r.IntN(len(list))] }
	w := size(n/3 + disk.Sector(r.IntN(int(n))))
	if r.IntN(5) == 0 {
		w.Target.Sectors = n
	}
	w.Tail = Tail(pick("", "", "both", "end", "same-place", "drop"))
	w.Excess = Excess(pick("leave", "zero"))
	w.Volumes.Default.MoveNone = r.IntN(4) == 0
	w.Volumes.Wish = map[int]volume.Wishes{}
	for _, e := range entries {
		if r.IntN(3) > 0 {
			continue
		}
		v := volume.Wishes{Mode: volume.Mode(pick("", "keep", "shrink", "grow")), Free: volume.Free(pick("", "copy", "skip")),
			Empty: r.IntN(6) == 0, MoveNone: r.IntN(4) == 0}
		switch {
		case r.IntN(2) == 0:
		case v.Mode == volume.Shrink:
			v.Sectors = 1 + disk.Sector(r.IntN(int(e.Count)))
		case v.Mode == volume.Grow:
			v.Sectors = e.Count + disk.Sector(r.IntN(3000))
		}
		w.Volumes.Wish[e.Index] = v
	}
	if r.IntN(2) == 0 {
		w.Accept = []disk.Code{disk.UnknownVolumeCut, disk.StaleTableCut, disk.NotKnownCut}
	}
	return w
}

// What a capture of the boot areas alone, or a kit, does not know of an entry
// behind its volume is not in use: it is not known, and goes by its code.
func TestUnreadSlackIsNotInUse(t *testing.T) {
	d := imagetest.New(100_000, 512)
	disks.MBR(d, entry(63, 80_000))
	songs(t, d, 63, 79_990, fat.FAT16, 4)
	src := image.NewKnown(d, disk.NewSpans(at(63+600, 99_000-663)), nil)
	w := wishing(50_000, 1, volume.Wishes{Empty: true})
	_, err := tryPlan(t, src, w)
	if r := IsRefused(err); r == nil || len(r.Why) > 0 || !hasFinding(r.Need, string(disk.NotKnownCut)) {
		t.Fatal(err)
	}
	for _, f := range IsRefused(err).Need {
		w.Accept = append(w.Accept, f.Code)
	}
	if _, err = tryPlan(t, src, w); err != nil {
		for _, f := range IsRefused(err).Need {
			w.Accept = append(w.Accept, f.Code)
		}
	}
	p := mustPlan(t, src, w)
	if v := survey(t, mustCard(t, p, src).Known()).Volume(1); v == nil || v.End() > 50_000 {
		t.Errorf("%+v", v)
	}
}

// A tail that goes to both places on a card larger by no more than itself lies
// there in two copies that touch or overlap: on the way back they are one.
func TestTailCopiesThatTouchGoBack(t *testing.T) {
	t.Parallel()
	for _, table := range []string{"mbr", "gpt", "none"} {
		for _, more := range []disk.Sector{1, 7, 99, 100} {
			d := imagetest.New(20_000, 512)
			second := disk.Sector(0)
			switch table {
			case "mbr":
				disks.MBR(d, entry(63, 9_000))
			case "gpt":
				disks.GPT(d, entry(63, 9_000))
				second = 33
			case "none":
				disks.Noise(d, at(0, 300), 3)
			}
			disks.Noise(d, at(20_000-100-second, 100), 4)
			w := size(20_000 + more)
			w.Tail, w.Excess = TailBoth, ExcessZero
			c := mustCard(t, mustPlan(t, d, w), d)
			p, err := tryPlan(t, c, size(20_000))
			if err != nil {
				t.Errorf("%s, %d more: %v", table, more, err)
			} else if x := differ(t, mustCard(t, p, c), d); x >= 0 {
				t.Errorf("%s, %d more: sector %d differs", table, more, x)
			}
		}
	}
}

// Every code that the told size needs is among those that are asked for, also
// one that the card itself did not get far enough to need: the volume here says
// that it is longer than its entry and than the disk.
func TestTheSmallestCardAsksForAllItsCodes(t *testing.T) {
	long := imagetest.New(31_000, 512)
	disks.FAT(long, at(21_000, 10_000), fat.FAT16, 9000)
	d := imagetest.New(26_000, 512)
	b, err := image.ReadSectors(long, at(21_000, 5000))
	if err != nil {
		t.Fatal(err)
	}
	d.Put(21_000, b)
	disks.MBR(d, entry(63, 20_000), entry(21_000, 5000))
	disks.Noise(d, at(63, 20_000), 1)
	w := size(15_000)
	w.Volumes.Wish = map[int]volume.Wishes{2: {Mode: volume.Shrink}}
	_, err = tryPlan(t, d, w)
	r := IsRefused(err)
	if r == nil || r.Accepting == 0 {
		t.Fatal(err)
	}
	for _, f := range r.Need {
		w.Accept = append(w.Accept, f.Code)
	}
	w.Target.Sectors = r.Accepting
	if _, err = tryPlan(t, d, w); err != nil {
		t.Errorf("%d sectors with %v: %v", r.Accepting, w.Accept, err)
	}
}

// A volume of which the disk holds only the beginning, with files behind that:
// as long as its size does not change it is copied as it is, whatever was
// asked, and nothing is copied from behind the end of the source.
func TestACutVolumeIsCarriedAsItIs(t *testing.T) {
	long := imagetest.New(31_000, 512)
	disks.FAT(long, at(21_000, 10_000), fat.FAT16, 4_000_000)
	b, err := image.ReadSectors(long, at(21_000, 5000))
	if err != nil {
		t.Fatal(err)
	}
	d := imagetest.New(26_000, 512)
	d.Put(21_000, b)
	disks.MBR(d, entry(63, 20_000), entry(21_000, 10_000))
	w := size(40_000)
	w.Accept = []disk.Code{disk.FATLargerThanPartition, disk.FATCutOff}
	for name, wish := range map[string]volume.Wishes{"shrink": {Mode: volume.Shrink}, "keep": {Mode: volume.Keep}} {
		w.Volumes.Wish = map[int]volume.Wishes{2: wish}
		if p, err := tryPlan(t, d, w); err != nil || p.RenderedSectors() > 1 {
			t.Errorf("%s: %v", name, err)
		}
	}
	for name, wish := range map[string]volume.Wishes{"free skipped": {Mode: volume.Keep, Free: volume.FreeSkip},
		"made smaller": {Mode: volume.Shrink, Sectors: 9900}} {
		w.Volumes.Wish = map[int]volume.Wishes{2: wish}
		_, err := tryPlan(t, d, w)
		if r := IsRefused(err); r == nil || textOf(r.Why, disk.FATCutOff) == "" {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// Wherever the end of the disk cuts a volume off, and whatever is asked of it:
// a plan that is right, or a refusal, and never a piece from behind that end.
func TestCutAnywhere(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		kind  fat.Kind
		count disk.Sector
		table string
	}{{fat.FAT12, 3000, "mbr"}, {fat.FAT16, 10_000, "mbr"}, {fat.FAT16, 10_000, "none"}, {fat.FAT32, 66_700, "mbr"},
		{fat.FAT16, 10_000, "gpt"}} {
		start := disk.Sector(2048)
		if c.table == "none" {
			start = 0
		}
		long := imagetest.New(start+c.count, 512)
		disks.FAT(long, at(start, c.count), c.kind, 400_000, 3000)
		v, err := fat.Read(image.NewWindow(long, at(start, c.count)))
		if err != nil {
			t.Fatal(err)
		}
		for _, have := range []disk.Sector{1, 7, v.TableSpan(0).Start + 1, v.Data - 1, v.Data + 101, v.Data + 900,
			c.count - 1} {
			n := start + have
			if c.table == "gpt" {
				n += 33
			}
			d := imagetest.New(n, 512)
			switch c.table {
			case "mbr":
				disks.MBR(d, entry(start, c.count))
			case "gpt":
				disks.GPT(d, entry(start, have))
			}
			cutDisk(t, d, long, at(start, have))
			cutWishes(t, fmt.Sprintf("%v %s %d", c.kind, c.table, have), d, n)
		}
	}
}

// cutDisk copies the beginning of a volume.
func cutDisk(t *testing.T, d, long *imagetest.Disk, s disk.Span) {
	t.Helper()
	b, err := image.ReadSectors(long, s)
	if err != nil {
		t.Fatal(err)
	}
	d.Put(s.Start, b)
}

// cutWishes asks everything of a volume that is cut off.
func cutWishes(t *testing.T, name string, d *imagetest.Disk, n disk.Sector) {
	t.Helper()
	src := once(t, d)
	for index, v := range opens(t, src, src.s).resizable {
		for i, wish := range []volume.Wishes{
			{}, {Mode: volume.Keep}, {Mode: volume.Shrink}, {Mode: volume.Shrink, Sectors: v.Size()},
			{Mode: volume.Shrink, Sectors: v.Size() - 40},
			{Mode: volume.Grow}, {Mode: volume.Grow, Sectors: v.Size() + 4000}, {Empty: true},
			{Mode: volume.Shrink, Empty: true},
			{Mode: volume.Keep, Free: volume.FreeSkip}, {Mode: volume.Keep, BadMarks: volume.BadClear},
			{Mode: volume.Keep, Geometry: &volume.CHS{Heads: 16, SectorsPerTrack: 63}},
			{Mode: volume.Shrink, Free: volume.FreeCopy, Geometry: &volume.CHS{Heads: 16, SectorsPerTrack: 63}},
		} {
			for _, card := range []disk.Sector{n - 50, n, n + 50, n + 2*v.Size()} {
				if card < n && i > 3 {
					continue // the search for a card that would do is slow
				}
				w := wishing(card, index, wish)
				w.Accept = []disk.Code{disk.FATLargerThanPartition, disk.FATCutOff, disk.MissingInVolume, disk.MissingInBootArea,
					disk.VolumeRestInUse}
				p, err := Plan(t.Context(), src.Source, src.s, w)
				switch {
				case err != nil && IsRefused(err) == nil:
					t.Errorf("%s, wish %d, %d sectors: %v", name, i, card, err)
				case err == nil:
					if err := checkPlan(p, src.Source); err != nil {
						t.Errorf("%s, wish %d, %d sectors: %v", name, i, card, err)
					}
				case card == n+2*v.Size() && i == 2:
					t.Errorf("%s, wish %d, %d sectors: %v", name, i, card, err)
				}
			}
		}
	}
}
