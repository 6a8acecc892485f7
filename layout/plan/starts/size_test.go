package starts_test

import (
	"encoding/binary"
	"strings"
	"testing"

	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout/layouttest/disks"
	"bootgraft/layout/plan"
	"bootgraft/layout/plan/fit"
	"bootgraft/layout/plan/starts"
	"bootgraft/layout/scan"
	"bootgraft/layout/volume/fat"
)

// TestTheLastSectorMayBeTheSize: a number in the gap that names the last sector of the
// drive is no broken link on a smaller card, for it may be the size; one that names the
// first sector of the tail is.
func TestTheLastSectorMayBeTheSize(t *testing.T) {
	const sectors, tail = 60_000, 64
	d := imagetest.New(sectors, 512)
	disks.MBR(d, disks.Entry{Span: disk.Span{Start: 63, Count: 50_000}, Type: 6})
	disks.FAT(d, disk.Span{Start: 63, Count: 50_000}, fat.FAT16, 5000)
	disks.Noise(d, disk.Span{Start: sectors - tail, Count: tail - 8}, 3) // a structure, and one of the last sector
	disks.Noise(d, disk.Span{Start: sectors - 1, Count: 1}, 4)
	head := make([]byte, 512)
	copy(head, "INVENTED START-UP PROGRAM 1.0")
	binary.LittleEndian.PutUint32(head[44:], sectors-1)
	binary.LittleEndian.PutUint32(head[52:], sectors-tail)
	d.Put(1, head)
	m, err := scan.Run(t.Context(), d, scan.Options{})
	if err != nil {
		t.Fatal(err)
	}
	p, err := fit.Plan(t.Context(), d, m, fit.Wishes{Target: plan.Size{Sectors: 55_000, SectorSize: 512}})
	if err != nil {
		t.Fatal(err)
	}
	r, err := starts.Judge(t.Context(), p, d, m, starts.Known{})
	if err != nil {
		t.Fatal(err)
	}
	var size, place bool
	for i := range r.Links {
		switch v := &r.Links[i]; v.Target.Start {
		case sectors - 1:
			size = v.State == starts.Unsure && strings.Contains(v.Why, "may be its size")
		case sectors - tail:
			place = v.State == starts.Broken
		}
	}
	if !size || !place {
		t.Errorf("the size is unsure: %v; the place is broken: %v; %+v", size, place, r.Links)
	}
}
