package fit

import (
	"slices"
	"strings"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout/layouttest/disks"
	"bootgraft/layout/volume"
	"bootgraft/layout/volume/fat"
)

// A drive of which only head and tail are known, as a kit has it: what lies
// between counts as used, unless its owner lets it fall off.
func TestWhatIsNotKnownMayFallOff(t *testing.T) {
	t.Parallel()
	d := imagetest.New(400000, 512)
	disks.Noise(d, at(0, 300), 1)
	disks.Noise(d, at(399936, 64), 2)
	src := image.NewKnown(d, disk.NewSpans(at(131072, 137856)), nil)

	p, err := tryPlan(t, src, size(200000))
	if r := IsRefused(err); r == nil || r.Smallest != 400000 || !hasFinding(r.Why, "sectors-not-known") {
		t.Fatalf("%v, %v", p, err)
	}
	w := size(200000)
	w.Accept = []disk.Code{disk.NotKnownCut}
	if _, err := tryPlan(t, src, w); IsRefused(err) == nil || !hasFinding(IsRefused(err).Need, "missing-in-boot-area") {
		t.Fatal(err)
	}
	w.Accept = append(w.Accept, "missing-in-boot-area")
	p = mustPlan(t, src, w)
	if !hasAccepted(p, string(disk.NotKnownCut)) {
		t.Errorf("%+v", p.Findings)
	}
	c := mustCard(t, p, src)
	if x := differ(t, image.NewWindow(c, at(0, 131072)), image.NewWindow(d, at(0, 131072))); x >= 0 {
		t.Errorf("head: sector %d differs", x)
	}
	if x := differ(t, image.NewWindow(c, at(199936, 64)), image.NewWindow(d, at(399936, 64))); x >= 0 {
		t.Errorf("tail: sector %d differs", x)
	}
	// What is known to be in use never falls off with it.
	w.Target.Sectors = 363
	if _, err := tryPlan(t, src, w); IsRefused(err) == nil || IsRefused(err).Smallest != 364 {
		t.Errorf("363 sectors: %v", err)
	}
}

func hasFinding(list []disk.Finding, code string) bool {
	for _, f := range list {
		if string(f.Code) == code {
			return true
		}
	}
	return false
}

// slackDisk has a FAT16 volume with sectors in use behind it, inside its entry,
// and one behind its last whole cluster.
func slackDisk(t *testing.T) (d *imagetest.Disk, rest, slack disk.Span) {
	t.Helper()
	d = imagetest.New(60_000, 512)
	disks.MBR(d, entry(63, 40_000))
	songs(t, d, 63, 30_002, fat.FAT16, 2)
	slack = at(30_100, 3)
	disks.Noise(d, slack, 1)
	v, err := fat.Read(image.NewWindow(d, at(63, 30_002)))
	if err != nil {
		t.Fatal(err)
	}
	rest = disk.Between(63+v.Cluster(v.Clusters+1).End(), 63+30_002)
	if rest.Empty() {
		t.Fatal("no sector behind the last cluster")
	}
	disks.Noise(d, rest, 2)
	return d, rest, slack
}

// What lies behind the last cluster of a volume, or in its entry behind the
// volume, arrives with an emptied volume that keeps its size. On a card on which
// the size changes it is named and goes by its code; nothing of it goes unasked,
// and nothing is refused for good.
func TestWhatLiesBehindTheFilesIsAskedFor(t *testing.T) {
	d, rest, slack := slackDisk(t)
	whole := once(t, d)
	half := once(t, image.NewKnown(d, disk.NewSpans(at(10_000, 20_000), rest, slack), nil)) // as a kit has it
	for _, c := range []struct {
		name string
		src  *surveyed
		card disk.Sector
		wish volume.Wishes
		need []disk.Code
	}{
		{"emptied", whole, 60_000, volume.Wishes{Empty: true}, nil},
		{"emptied, a larger card", whole, 70_000, volume.Wishes{Empty: true}, nil},
		{"free skipped", whole, 70_000, volume.Wishes{Mode: volume.Keep, Free: volume.FreeSkip}, nil},
		{"emptied, a smaller card with room", whole, 35_000, volume.Wishes{Empty: true}, nil},
		{"emptied, a smaller card", whole, 20_000, volume.Wishes{Empty: true},
			[]disk.Code{disk.SlackInUse, disk.VolumeRestInUse}},
		{"emptied and larger", whole, 60_000, volume.Wishes{Empty: true, Mode: volume.Grow},
			[]disk.Code{disk.SlackInUse, disk.VolumeRestInUse}},
		{"smaller", whole, 60_000, volume.Wishes{Mode: volume.Shrink, Sectors: 25_000},
			[]disk.Code{disk.SlackInUse, disk.VolumeRestInUse}},
		{"a smaller card, nothing asked", whole, 25_000, volume.Wishes{}, []disk.Code{disk.SlackInUse, disk.VolumeRestInUse}},
		{"a kit, emptied", half, 60_000, volume.Wishes{Empty: true}, []disk.Code{disk.MissingInVolume}},
		{"a kit, a smaller card", half, 20_000, volume.Wishes{Empty: true}, []disk.Code{disk.NotKnownCut}},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := size(c.card)
			if !strings.Contains(c.name, "nothing asked") {
				w = wishing(c.card, 1, c.wish)
			}
			var asked []disk.Code
			for range 4 {
				_, err := tryPlan(t, c.src, w)
				if err == nil {
					break
				}
				if IsRefused(err).Need == nil {
					t.Fatalf("nothing to accept: %v", err)
				}
				for _, f := range IsRefused(err).Need {
					asked = append(asked, f.Code)
				}
				w.Accept = asked
			}
			slices.Sort(asked)
			if asked = slices.Compact(asked); !slices.Equal(asked, c.need) {
				t.Fatalf("asked for %v, want %v", asked, c.need)
			}
			p, err := tryPlan(t, c.src, w)
			if err != nil {
				t.Fatal(err)
			}
			card := mustCard(t, p, c.src)
			if c.need != nil {
				return
			}
			for _, s := range []disk.Span{rest, slack} {
				if x := differ(t, image.NewWindow(card, s), image.NewWindow(d, s)); x >= 0 {
					t.Errorf("sector %d of %s is not on the card", x, s)
				}
			}
		})
	}
}
