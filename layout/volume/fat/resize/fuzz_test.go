package resize_test

import (
	"errors"
	"os"
	"path/filepath"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout"
	"bootgraft/layout/plan"
	"bootgraft/layout/plan/card"
	"bootgraft/layout/volume"
	"bootgraft/layout/volume/fat"
	"bootgraft/layout/volume/fat/resize"
)

const fixtures = "../../../../testdata/fat"

// FuzzPlan changes bytes of real volumes and asks for any size: whatever comes
// out is a refusal, or a plan that passes its proof and whose volume has the
// size that it says.
func FuzzPlan(f *testing.F) {
	names := []string{"fat12.txt", "fat16.txt", "fat32.txt"}
	for i := range names {
		f.Add(byte(i), uint32(0), []byte{}, int16(-5), byte(0))
		f.Add(byte(i), uint32(512), []byte{0xF8, 0xFF, 0xFF}, int16(300), byte(0xFF))
		f.Add(byte(i), uint32(13), []byte{4}, int16(-200), byte(0x15))
	}
	f.Fuzz(func(t *testing.T, which byte, at uint32, change []byte, by int16, flags byte) {
		d := load(t, names[int(which)%len(names)])
		if off := int64(at) % d.Size(); len(change) <= 4096 && off+int64(len(change)) <= d.Size() {
			if _, err := d.WriteAt(change, off); err != nil {
				t.Fatal(err)
			}
		}
		v, err := fat.Read(d)
		if err != nil {
			return
		}
		tab, err := v.LoadTable(v.Active)
		if err != nil {
			return
		}
		tryPlan(t, d, v, tab, wishes(v, by, flags))
	})
}

func load(t *testing.T, name string) *imagetest.Disk {
	t.Helper()
	f, err := os.Open(filepath.Join(fixtures, name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	d, err := imagetest.Parse(f)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func wishes(v *fat.Volume, by int16, flags byte) volume.Wishes {
	w := volume.Wishes{Mode: volume.Shrink, Sectors: v.Sectors + disk.Sector(by), Empty: flags&1 != 0, MoveNone: flags&2 != 0}
	if by > 0 {
		w.Mode, w.Room = volume.Grow, v.Sectors+disk.Sector(by)
	}
	if flags&4 != 0 {
		w.Free = volume.FreeCopy
	}
	if flags&8 != 0 {
		w.BadMarks = volume.BadClear
	}
	if flags&16 != 0 {
		w.Align = 64
	}
	if flags&32 != 0 {
		w.Sectors = 0
	}
	if flags&64 != 0 {
		w.MaxPieces = 1
	}
	if flags&128 != 0 {
		w.Accept = func(disk.Code) bool { return true }
	}
	return w
}

func tryPlan(t *testing.T, d *imagetest.Disk, v *fat.Volume, tab *fat.Table, w volume.Wishes) {
	r, err := resize.Plan(v, tab, nil, w)
	var refused *volume.Refused
	if errors.As(err, &refused) {
		return
	}
	if err != nil {
		t.Fatal(err)
	}
	if r.Sectors > 1<<17 || r.Sectors > image.Sectors(d)+1<<15 {
		return // the boot sector says so; the card would be needlessly large
	}
	if r.Sectors == v.Sectors && v.Sectors > image.Sectors(d) {
		return // the disk cuts it off: whoever plans carries what there is, and emits nothing
	}
	size := d.SectorSize()
	b := plan.NewBuilder(plan.Size{Sectors: r.Sectors + 2*edge, SectorSize: size},
		plan.Source{Size: plan.Size{Sectors: image.Sectors(d), SectorSize: size}, Digest: "0000000000000000000000000000000000000000000000000000000000000000"})
	b.Zero(disk.Span{Count: edge}, layout.WhyExcess, layout.RankData)
	if err := r.Emit(volume.Placed{To: b, Card: edge, Open: disk.Span{Start: edge, Count: r.Sectors}}); err != nil {
		t.Fatal(err)
	}
	b.Zero(disk.Span{Start: edge + r.Sectors, Count: edge}, layout.WhyExcess, layout.RankData)
	p, err := b.Plan()
	if err != nil {
		t.Fatalf("%+v: %v", w, err)
	}
	c, err := card.New(p, d)
	if err != nil {
		t.Fatal(err)
	}
	v2, err := fat.Read(image.NewWindow(c, disk.Span{Start: edge, Count: r.Sectors}))
	if err != nil || v2.Sectors != r.Sectors || v2.Kind != v.Kind {
		t.Fatalf("%+v: %+v, %v; want %d sectors", w, v2, err, r.Sectors)
	}
}
