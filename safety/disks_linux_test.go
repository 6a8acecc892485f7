package safety

import (
	"errors"
	"io"
	"os"
	"strings"
	"testing"

	"bootgraft/image/imagetest/need"
	"bootgraft/layout/plan"
	"bootgraft/safety/blockdev"
	"bootgraft/safety/receipt"
)

// The whole way on a real block device: write, compare by another reader
// (cmp(1)), the same again after a stop, undo.
func TestLoopDevice(t *testing.T) {
	b := newBench(t)
	node := b.card()
	old, err := os.ReadFile(b.path("card.img"))
	do(t, err)
	card := wholeCopy(patterned(5, loopSectors))
	put(t, b.path("want.img"), card.file)
	target, err := blockdev.OpenTarget(node)
	do(t, err)
	req := Request{Kind: receipt.Write, Digest: "plan", Disk: plan.Size{Sectors: loopSectors, SectorSize: sector},
		Card: card, Pieces: card.pieces, Receipt: b.path("receipt"), KeepAll: true}
	_, err = perform(target, req)
	do(t, err)
	detached, err := target.Detach()
	do(t, err)
	if detached {
		t.Error("a loop device cannot be taken away")
	}
	b.tool("cmp", b.path("want.img"), node)
	target, err = blockdev.OpenTarget(node)
	do(t, err)
	t.Cleanup(func() { target.Close() })
	do(t, undo(target, req.Receipt))
	holds(t, b.path("card.img"), old)
	if _, err := target.WriteAt(make([]byte, 100), 0); err == nil {
		t.Error("a part of a sector was written")
	}
	if n, err := target.ReadAt(make([]byte, 10), target.Size()-4); n != 4 || !errors.Is(err, io.EOF) {
		t.Errorf("at the end: %d, %v", n, err)
	}
}

func TestNextDisk(t *testing.T) {
	need.Root(t)
	need.Tool(t, "losetup") // whoever waits for a disk would wait for ever
	need.OnlyDisk(t)
	b := newBench(t)
	one, two := b.file("one.img"), b.file("two.img")
	plug := func(files ...string) (ready func(), done chan struct{}) {
		done = make(chan struct{})
		return func() {
			go func() {
				defer close(done)
				for _, f := range files {
					b.loop(f)
				}
			}()
		}, done
	}
	ready, done := plug(one)
	target, err := blockdev.NextTarget(t.Context(), ready)
	<-done
	do(t, err)
	f, err := target.Look(nil)
	do(t, err)
	if f.Held != nil || f.Sectors != loopSectors {
		t.Errorf("%+v", f)
	}
	do(t, target.Close())
	ready, done = plug(one, two)
	_, err = blockdev.NextTarget(t.Context(), ready)
	<-done
	var more *blockdev.TwoNewError
	if !errors.As(err, &more) || len(more.Nodes) != 2 {
		t.Fatalf("two new ones: %v", err)
	}
	for _, n := range more.Nodes { // and neither stays held
		again, err := blockdev.OpenTarget(n)
		do(t, err)
		if f, err := again.Look(nil); err != nil || f.Held != nil {
			t.Errorf("%s: %v, %v", n, err, f.Held)
		}
		do(t, again.Close())
	}
}

func TestDisksOfThisMachine(t *testing.T) {
	b := newBench(t)
	node := b.ext4(b.card())
	dir := b.mount(node)
	disks, err := blockdev.Disks()
	do(t, err)
	root := b.rootDisk()
	found := 0
	for _, d := range disks {
		switch {
		case d.Node == node:
			found++
			if d.Sectors != loopSectors || len(d.Mounts) != 1 || d.Mounts[0] != dir || len(d.System) != 0 || d.Bytes() != loopSectors*sector {
				t.Errorf("%+v", d)
			}
		case strings.HasPrefix(root, d.Node):
			found++
			if len(d.System) == 0 || d.System[0] != "/" {
				t.Errorf("the system's disk: %+v", d)
			}
		}
	}
	if found != 2 {
		t.Errorf("found %d of 2 disks: %+v", found, disks)
	}
}
