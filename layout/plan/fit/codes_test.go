package fit

import (
	"slices"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout/layouttest/disks"
	"bootgraft/layout/volume"
	"bootgraft/layout/volume/fat"
)

// saidOf returns the codes of all that planning says, done or refused.
func saidOf(t *testing.T, src image.Source, w Wishes) []string {
	t.Helper()
	p, err := tryPlan(t, src, w)
	if r := IsRefused(err); r != nil {
		return imagetest.Codes(slices.Concat(r.Why, r.Need))
	}
	if err != nil {
		t.Fatal(err)
	}
	return imagetest.Codes(p.Findings)
}

func tailed(n disk.Sector, tail Tail) Wishes {
	w := size(n)
	w.Tail = tail
	return w
}

// TestWhatIsSaidOfACard: each case is one disk and one wish, and the code of
// what the owner has to hear of it.
func TestWhatIsSaidOfACard(t *testing.T) {
	unknown := imagetest.New(20000, 512)
	disks.MBR(unknown, entry(63, 15000))
	disks.Noise(unknown, at(100, 10), 1)
	stale := withTail()
	stale.Put(19900, make([]byte, 100*512))
	disks.GPTHeaders(stale, 19999, entry(34, 20))
	full := imagetest.New(20000, 512)
	disks.Noise(full, at(0, 20000), 1)
	behind := guid() // a tail where the second copy of the table should be
	disks.Noise(behind, at(19900, 100), 1)
	twice := withTail()
	copied := make([]byte, 60*512)
	if _, err := twice.ReadAt(copied, 19900*512); err != nil {
		t.Fatal(err)
	}
	twice.Put(19000, copied)
	slack := imagetest.New(100_000, 512)
	disks.MBR(slack, entry(63, 90_000))
	songs(t, slack, 63, 80_000, fat.FAT16, 4)
	disks.Noise(slack, at(85_000, 3), 1)
	song := imagetest.New(100_000, 512)
	disks.MBR(song, entry(63, 90_000))
	songs(t, song, 63, 90_000, fat.FAT16, 4)
	for _, c := range []struct {
		code disk.Code
		src  *imagetest.Disk
		w    Wishes
	}{
		{disk.UnknownVolume, unknown, size(10000)},
		{disk.StaleTable, stale, size(16000)},
		{disk.EntryShortened, withTail(), size(9200)},
		{disk.EntryResized, song, wishing(120_000, 1, volume.Wishes{Mode: volume.Grow})},
		{disk.TailAssumed, full, tailed(30000, TailEnd)},
		{disk.TailBeforeTable, behind, size(30000)},
		{disk.TailTwice, twice, tailed(19100, TailEnd)},
		{disk.SlackInUse, slack, size(70_000)},
	} {
		if said := saidOf(t, c.src, c.w); !slices.Contains(said, string(c.code)) {
			t.Errorf("%s is not among %v", c.code, said)
		}
	}
}

// TestTailBeforeTableOnlyWhereItGoes: that the tail lies before the second copy of a GUID
// partition table at the new end is said only of a card that has it there.
func TestTailBeforeTableOnlyWhereItGoes(t *testing.T) {
	d := guid()
	disks.Noise(d, at(19900, 100), 1)
	for _, c := range []struct {
		tail Tail
		want bool
	}{{TailBoth, true}, {TailEnd, true}, {TailDrop, false}} {
		said := saidOf(t, d, tailed(30000, c.tail))
		if slices.Contains(said, string(disk.TailBeforeTable)) != c.want {
			t.Errorf("--tail %s: %v", c.tail, said)
		}
	}
}

// TestTailNotKept: who asks for a tail at both places is told where there is no room for one
// of them: on a smaller card, and where a volume grows over it.
func TestTailNotKept(t *testing.T) {
	d := withTail()
	grown := wishing(40000, 1, volume.Wishes{Mode: volume.Grow})
	grown.Tail = TailBoth
	for name, c := range map[string]struct {
		wishes Wishes
		want   bool
	}{
		"larger, both":        {tailed(40000, TailBoth), false},
		"larger, by itself":   {tailed(40000, ""), false},
		"smaller, both":       {tailed(18000, TailBoth), true},
		"smaller, by itself":  {tailed(18000, ""), false},
		"smaller, end":        {tailed(18000, TailEnd), false},
		"larger by 40, both":  {tailed(20040, TailBoth), true},
		"a volume grows over": {grown, true},
	} {
		if said := saidOf(t, d, c.wishes); slices.Contains(said, string(disk.TailNotKept)) != c.want {
			t.Errorf("%s: %v", name, said)
		}
	}
}

// TestEntryOfAnotherTableIsFixed: the entries of a table that is carried byte for
// byte keep their sizes, and so do the volumes in them.
func TestEntryOfAnotherTableIsFixed(t *testing.T) {
	d := imagetest.Load(t, "../../../testdata/apple/three.txt")
	var found bool
	for _, e := range survey(t, d).Entries {
		if e.NoVolume || e.Count < 100 {
			continue
		}
		disks.FAT(d, e.Span, fat.FAT12, 300)
		w := wishing(image.Sectors(d)+5000, e.Index, volume.Wishes{Mode: volume.Grow})
		if said := saidOf(t, d, w); !slices.Contains(said, string(disk.EntryFixed)) {
			t.Errorf("entry %d: %v", e.Index, said)
		}
		found = true
	}
	if !found {
		t.Error("the fixture has no entry for a volume")
	}
}
