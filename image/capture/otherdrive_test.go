package capture

import (
	"bytes"
	"context"
	"errors"
	"math/rand/v2"
	"testing"
	"time"

	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
)

func TestADifferentDriveIsRefused(t *testing.T) {
	first := newSim(20_000)
	m := newMemory()
	if r := runSim(t, first, m, Options{StopAfter: 200 * time.Millisecond}); r.Stop != TimeSpent {
		t.Fatal(r.Stop)
	}
	for name, change := range map[string]func(*simDrive){
		"serial number":      func(d *simDrive) { d.id.Serial = "S0002" },
		"size":               func(d *simDrive) { *d = *newSim(20_001) },
		"data, behind a usb": func(d *simDrive) { d.id.Bus, d.seed = "usb", 2 },
	} {
		d := newSim(20_000)
		change(d)
		before := bytes.Clone(m.files["image.record"].now)
		tg := target
		tg.Storage = m
		_, err := Run(context.Background(), d, tg, Options{Time: d.simTime}, nil, nil)
		var de *DifferentDriveError
		if !errors.As(err, &de) {
			t.Errorf("%s: %v", name, err)
		}
		if !bytes.Equal(before, m.files["image.record"].now) {
			t.Errorf("%s: the record has changed", name)
		}
	}
	same := newSim(20_000)
	same.id.Bus, same.id.Serial = "usb", "another bridge"
	if r := runSim(t, same, m, Options{}); r.Stop != Done || len(r.Unread) > 0 {
		t.Errorf("the same drive behind another bridge: stopped %q, unread %v", r.Stop, r.Unread)
	}
}

// Two drives of one model have the same table and the same start-up program,
// and may be blank for the most part. Also when nothing is left to do, the other
// one is not taken for the one that was captured.
func TestAnotherDriveOfTheSameModelIsRefused(t *testing.T) {
	drive := func(seed uint64) FileDrive {
		d := imagetest.New(100_000, 512)
		put := func(from, to disk.Sector, seed uint64) {
			rng := rand.New(rand.NewPCG(seed, 1))
			for x := from; x < to; x++ {
				b := make([]byte, 512)
				for i := range b {
					b[i] = byte(rng.Uint32())
				}
				d.Put(x, b)
			}
		}
		put(0, 40, 99)
		put(1000, 1020, seed)
		put(9000, 9400, seed)
		return FileDrive{d}
	}
	m := newMemory()
	tg := target
	tg.Storage = m
	for i, seed := range []uint64{1, 2, 1} {
		r, err := Run(context.Background(), drive(seed), tg, Options{Looks: 1}, nil, nil)
		var de *DifferentDriveError
		if seed == 2 && !errors.As(err, &de) {
			t.Errorf("the other drive: %v", err)
		}
		if seed == 1 && (err != nil || r.Stop != Done || r.Read != 100_000) {
			t.Fatalf("run %d of the right drive: %v, %+v", i, err, r)
		}
	}
}
