package fit

import (
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/image/imagetest/disks"
)

// A drive of which only head and tail are known, as a kit has it: what lies
// between counts as used, unless its owner lets it fall off.
func TestWhatIsNotKnownMayFallOff(t *testing.T) {
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
