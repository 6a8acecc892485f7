package candidate_test

import (
	"bytes"
	"context"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/image/imagetest/need"
	"bootgraft/layout"
	"bootgraft/layout/rule/candidate"
)

// inside looks into one partition, of which nobody knows what it holds.
func inside(t *testing.T, d *imagetest.Disk, e layout.Entry) []layout.Field {
	t.Helper()
	list := []layout.Entry{e}
	found, err := candidate.LookInside(context.Background(), d, []disk.Span{e.Span}, list, list)
	if err != nil {
		t.Fatal(err)
	}
	return found
}

// drawn draws a disk with one partition.
func drawn(r *rand.Rand) (*imagetest.Disk, layout.Entry) {
	n := 200_000 + r.Int64N(60_000_000)
	e := layout.Entry{Index: 1 + r.IntN(4), Span: disk.Span{Start: disk.Sector(63 + r.IntN(40_000))}}
	e.Count = disk.Sector(100_000 + r.Int64N(n-150_000))
	return imagetest.New(disk.Sector(n), 512), e
}

// TestDullPartitionsShowNothing: of forty partitions whose bytes mean nothing chance may
// fool one: Bar is for all that a survey shows of a disk, these numbers among them.
func TestDullPartitionsShowNothing(t *testing.T) {
	t.Parallel()
	disks, shown := 0, 0
	for name, fill := range dull {
		for _, seed := range need.Seeds(6, 200) {
			disks++
			r := rand.New(rand.NewPCG(uint64(seed), 17))
			d, e := drawn(r)
			for _, at := range []disk.Sector{e.Start, e.End() - 256} {
				b := make([]byte, 256*512)
				fill(r, b, int64(d.Size()/512))
				d.Put(at, b)
			}
			if found := inside(t, d, e); len(found) > 0 {
				shown++
				t.Logf("%s, seed %d: %+v", name, seed, found)
			}
		}
	}
	t.Logf("%d of %d disks show something", shown, disks)
	if shown > disks/40 {
		t.Error("more than one in forty")
	}
}

// TestRealVolumesShowNothingElse: volumes that general tools make, in partitions of another
// length, on disks of any size: what they say of themselves is no number of either.
func TestRealVolumesShowNothingElse(t *testing.T) {
	t.Parallel()
	disks, shown := 0, 0
	grub := filepath.Dir(need.Packaged(t, "grub-pc-bin", "usr/lib/grub/i386-pc/boot.img"))
	for _, maker := range [][]string{
		{"mke2fs", "-q", "-F", "-t", "ext2"}, {"mke2fs", "-q", "-F", "-t", "ext4"}, {"mkswap", "-q"}, {"mkfs.fat", "-F", "32"},
		{"mkfs.fat", "-F", "16"}, {"mkntfs", "-F", "-q", "-Q"}, {"mkfs.minix"},
		{"grub-mkimage", "-O", "i386-pc", "-d", grub, "-p", "/boot/grub", "biosdisk", "part_gpt", "ext2", "-o"},
	} {
		name := filepath.Join(t.TempDir(), "volume")
		if err := os.WriteFile(name, make([]byte, 48<<20), 0o600); err != nil {
			t.Fatal(err)
		}
		if out, err := exec.Command(need.Tool(t, maker[0]), append(maker[1:], name)...).CombinedOutput(); err != nil {
			t.Fatalf("%v: %v\n%s", maker, err, out)
		}
		made, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		made = append(made, make([]byte, -len(made)&(1<<16-1))...)
		for _, seed := range need.Seeds(8, 100) {
			disks++
			d, e := drawn(rand.New(rand.NewPCG(uint64(seed), 19)))
			for at := 0; at < len(made); at += 1 << 16 { // imagetest keeps what is put
				if part := made[at : at+1<<16]; len(bytes.Trim(part, "\x00")) > 0 {
					d.Put(e.Start+disk.Sector(at/512), part)
				}
			}
			if found := inside(t, d, e); len(found) > 0 {
				shown++
				t.Logf("%v, seed %d, disk of %d, %v: %+v", maker, seed, d.Size()/512, e.Span, found)
			}
		}
	}
	t.Logf("%d of %d disks show something", shown, disks)
	if shown > disks/40 {
		t.Error("more than one in forty")
	}
}
