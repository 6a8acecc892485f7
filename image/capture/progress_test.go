package capture

import (
	"context"
	"testing"
	"time"

	"bootgraft/image/disk"
)

// What is told of a run is true of it: no estimate at the beginning, one that is
// right within a half later on a drive that is read evenly, never less work done
// than before, and no class that is called less safe than it was.
func TestProgress(t *testing.T) {
	const sectors = 1_200_000 // 20 s of reading
	d := newSim(sectors)
	t0 := d.Now()
	var told []Progress
	a := layoutAdvisor{[]Wish{{disk.Span{Start: 40_000, Count: 900_000}, Files}, {disk.Span{Start: 2048, Count: 99}, Directories}}}
	dir := t.TempDir()
	_, err := Run(context.Background(), d, Target{Storage: Disk{Dir: dir}, Image: dir + "/image"}, Options{Looks: 1, Time: d.simTime}, a,
		watcher{progress: func(p Progress) { told = append(told, p) }})
	if err != nil {
		t.Fatal(err)
	}
	end := d.Now().Sub(t0)
	share := 0.0
	safe := map[Class]disk.Sector{}
	for _, p := range told {
		if p.Elapsed < 5*time.Second && p.Left > 0 {
			t.Errorf("after %v an estimate: %v", p.Elapsed, p.Left)
		}
		if really := end - p.Elapsed; p.Elapsed > 8*time.Second && really > 4*time.Second && (p.Left < really/2 || p.Left > really*2) {
			t.Errorf("after %v it is said to take %v, and takes %v", p.Elapsed, p.Left, really)
		}
		if p.Share < share || p.Share > 1 {
			t.Errorf("%v of the work, after %v", p.Share, share)
		}
		share = p.Share
		for c, tl := range p.Classes {
			if p.Sorted && tl.Safe < safe[c] {
				t.Errorf("%s: %d sectors safe, after %d", c, tl.Safe, safe[c])
			}
			safe[c] = tl.Safe
		}
	}
	if len(told) < 15 || share < 0.999 {
		t.Errorf("told %d times, at the end %v", len(told), share)
	}
}
