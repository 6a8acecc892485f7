package safety

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"bootgraft/image/disk"
	"bootgraft/image/imagetest/need"
	"bootgraft/layout/plan"
	"bootgraft/safety/blockdev"
	"bootgraft/safety/receipt"
)

// danger is one target that has to be refused.
type danger struct {
	name  string
	build func(b *bench, r *Request) (target string)
	code  disk.Code // one of the reasons
	says  string    // is in the message
}

var dangers = []danger{
	{"mounted", func(b *bench, _ *Request) string { c := b.ext4(b.card()); b.mount(c); return c }, disk.TargetMounted, "is mounted on"},
	{"mounted read-only", func(b *bench, _ *Request) string { c := b.ext4(b.card()); b.mount(c, "-o", "ro"); return c }, disk.TargetMounted, "is mounted on"},
	{"a partition mounted", func(b *bench, _ *Request) string {
		disk, one, _ := b.partitioned()
		b.mount(b.ext4(one))
		return disk
	}, disk.TargetMounted, "p1 is mounted on"},
	{"the second partition mounted", func(b *bench, _ *Request) string {
		disk, _, two := b.partitioned()
		b.mount(b.ext4(two))
		return disk
	}, disk.TargetMounted, "p2 is mounted on"},
	{"only a bind mount left", func(b *bench, _ *Request) string {
		c := b.ext4(b.card())
		dir := b.mount(c)
		b.mount(dir, "--bind")
		b.tool("umount", dir)
		return c
	}, disk.TargetMounted, "is mounted on"},
	{"mounted on a folder with a blank", func(b *bench, _ *Request) string {
		c := b.ext4(b.card())
		do(b, os.Mkdir(b.path("a b"), 0o700))
		need.Mount(b, c, b.path("a b"))
		return c
	}, disk.TargetMounted, "a b"},
	{"mounted in another namespace only", func(b *bench, _ *Request) string {
		c := b.ext4(b.card())
		dir := b.path("inside")
		do(b, os.Mkdir(dir, 0o700))
		b.start("unshare", "-m", "sh", "-c", fmt.Sprintf("mount %s %s && echo ready && cat", c, dir))
		return c
	}, disk.TargetMounted, "inside"},
	{"a partition mounted in another namespace only", func(b *bench, _ *Request) string {
		disk, one, _ := b.partitioned()
		b.ext4(one)
		dir := b.path("inside")
		do(b, os.Mkdir(dir, 0o700))
		b.start("unshare", "-m", "sh", "-c", fmt.Sprintf("mount %s %s && echo ready && cat", one, dir))
		return disk
	}, disk.TargetMounted, "inside"},
	{"lazily unmounted but busy", func(b *bench, _ *Request) string {
		c := b.ext4(b.card())
		dir := b.mount(c)
		f, err := os.Create(filepath.Join(dir, "busy"))
		do(b, err)
		b.Cleanup(func() { f.Close() })
		b.tool("umount", "-l", dir)
		return c
	}, disk.TargetHeld, "holds it exclusively"},
	{"behind another loop", func(b *bench, _ *Request) string { c := b.card(); b.loop(c); return c }, disk.TargetInLoop, "is used by the loop device"},
	{"behind a loop that is mounted", func(b *bench, _ *Request) string {
		c := b.ext4(b.card())
		b.mount(b.loop(c))
		return c
	}, disk.TargetMounted, "is mounted on"},
	{"behind two loops, mounted at the top", func(b *bench, _ *Request) string {
		c := b.ext4(b.card())
		b.mount(b.loop(b.loop(c)))
		return c
	}, disk.TargetMounted, "is mounted on"},
	{"a partition behind a loop", func(b *bench, _ *Request) string {
		disk, one, _ := b.partitioned()
		b.loop(one)
		return disk
	}, disk.TargetInLoop, "p1 is used by the loop device"},
	{"a loop over a mounted device", func(b *bench, _ *Request) string {
		c := b.ext4(b.card())
		top := b.loop(c)
		b.mount(c)
		return top
	}, disk.TargetMounted, "is mounted on"},
	{"a second loop over the same file, mounted", func(b *bench, _ *Request) string {
		file := b.file("card.img")
		one, two := b.loop(file), b.loop(file)
		b.mount(b.ext4(one))
		return two
	}, disk.TargetMounted, "is mounted on"},
	{"a second loop over the same file", func(b *bench, _ *Request) string {
		file := b.file("card.img")
		b.loop(file)
		return b.loop(file)
	}, disk.TargetInLoop, "is used by the loop device"},
	{"a loop over a hard link of a file that another loop uses", func(b *bench, _ *Request) string {
		file := b.file("card.img")
		b.loop(file)
		do(b, os.Link(file, b.path("other.img")))
		return b.loop(b.path("other.img"))
	}, disk.TargetInLoop, "is used by the loop device"},
	{"swap", func(b *bench, _ *Request) string {
		c := b.card()
		b.swapon(c)
		return c
	}, disk.TargetInSwap, "is used for swap"},
	{"swap on a partition", func(b *bench, _ *Request) string {
		disk, _, two := b.partitioned()
		b.swapon(two)
		return disk
	}, disk.TargetInSwap, "p2 is used for swap"},
	{"symbolic link to a mounted device", func(b *bench, _ *Request) string {
		c := b.ext4(b.card())
		b.mount(c)
		return b.symlink(c)
	}, disk.TargetMounted, "is mounted on"},
	{"second node of a mounted device", func(b *bench, _ *Request) string {
		c := b.ext4(b.card())
		b.mount(c)
		return b.node(b.path("alias"), b.number(filepath.Join("/sys/block", filepath.Base(c), "dev")))
	}, disk.TargetMounted, "is mounted on"},
	{"hard link of a second node", func(b *bench, _ *Request) string {
		c := b.ext4(b.card())
		b.mount(c)
		n := b.node(b.path("alias"), b.number(filepath.Join("/sys/block", filepath.Base(c), "dev")))
		do(b, os.Link(n, b.path("alias2")))
		return b.path("alias2")
	}, disk.TargetMounted, "is mounted on"},
	{"written by another program", func(b *bench, _ *Request) string {
		c := b.card()
		b.start("sh", "-c", "exec 3<>"+c+"; echo ready; cat")
		return c
	}, disk.TargetInUse, "is open for writing in"},
	{"a partition written by another program", func(b *bench, _ *Request) string {
		disk, one, _ := b.partitioned()
		b.start("sh", "-c", "exec 3>"+one+"; echo ready; cat")
		return disk
	}, disk.TargetInUse, "p1 is open for writing in"},
	{"its file written by another program", func(b *bench, _ *Request) string {
		c := b.card()
		b.start("sh", "-c", "exec 3<>"+b.path("card.img")+"; echo ready; cat")
		return c
	}, disk.TargetInUse, "is open for writing in"},
	{"held by another program", func(b *bench, _ *Request) string {
		c := b.card()
		t, err := blockdev.OpenTarget(c)
		do(b, err)
		b.Cleanup(func() { t.Close() })
		return c
	}, disk.TargetHeld, "holds it exclusively"},
	{"the source itself", func(b *bench, r *Request) string {
		c := b.card()
		r.Files = append(r.Files, b.fileOf(c, "the source"))
		return c
	}, disk.TargetIsSource, "it is the source"},
	{"the source under another name", func(b *bench, r *Request) string {
		c := b.card()
		r.Files = append(r.Files, b.fileOf(c, "the source"))
		return b.symlink(c)
	}, disk.TargetIsSource, "it is the source"},
	{"a loop over the source image", func(b *bench, r *Request) string {
		c := b.card()
		r.Files = append(r.Files, b.fileOf(b.path("card.img"), "the source"))
		return c
	}, disk.TargetIsSource, "it is the source"},
	{"a loop over a loop over the source image", func(b *bench, r *Request) string {
		c := b.loop(b.card())
		r.Files = append(r.Files, b.fileOf(b.path("card.img"), "the source"))
		return c
	}, disk.TargetIsSource, "it is the source"},
	{"the disk of which a partition is the source", func(b *bench, r *Request) string {
		disk, one, _ := b.partitioned()
		r.Files = append(r.Files, b.fileOf(one, "the source"))
		return disk
	}, disk.TargetIsSource, "it is the source"},
	{"a loop over the plan", func(b *bench, r *Request) string {
		c := b.card()
		r.Files = append(r.Files, b.fileOf(b.path("card.img"), "the plan"))
		return c
	}, disk.TargetIsSource, "it is the plan"},
	{"the disk that holds the source", func(b *bench, r *Request) string {
		c := b.ext4(b.card())
		dir := b.mount(c)
		put(b, filepath.Join(dir, "old.img"), make([]byte, 4096))
		r.Files = append(r.Files, b.fileOf(filepath.Join(dir, "old.img"), "the source"))
		return c
	}, disk.TargetHoldsSource, "it holds the source"},
	{"the disk that gets the receipt", func(b *bench, r *Request) string {
		c := b.ext4(b.card())
		r.Receipt = filepath.Join(b.mount(c), "receipt")
		return c
	}, disk.TargetHoldsSource, "it holds the receipt"},
	{"the original, by its boot area", func(b *bench, r *Request) string {
		r.Source = wholeCopy(patterned(8, loopSectors))
		return b.card()
	}, disk.TargetIsOriginal, "those of the original"},
	{"the system's disk", func(b *bench, _ *Request) string { return b.rootDisk() }, disk.TargetIsSystemDisk, "the running system stands on it"},
	{"the system's disk by another node", func(b *bench, _ *Request) string {
		st, err := os.Stat(b.rootDisk())
		do(b, err)
		return b.node(b.path("alias"), int(st.Sys().(*syscall.Stat_t).Rdev))
	}, disk.TargetIsSystemDisk, "the running system stands on it"},
	{"the system's disk by a link", func(b *bench, _ *Request) string { return b.symlink(b.rootDisk()) }, disk.TargetIsSystemDisk, "the running system stands on it"},
	{"read-only", func(b *bench, _ *Request) string { return b.loop(b.file("card.img"), "-r") }, disk.TargetReadOnly, "read-only"},
	{"made read-only later", func(b *bench, _ *Request) string {
		c := b.card()
		b.later("blockdev", "--setrw", c) // it outlasts the file below
		b.tool("blockdev", "--setro", c)
		return c
	}, disk.TargetReadOnly, "read-only"},
	{"too small", func(b *bench, _ *Request) string {
		return b.loop(b.file("card.img"), "--sizelimit", fmt.Sprint((loopSectors-1)*sector))
	}, disk.TargetSize, "1 fewer than the plan"},
	{"too large", func(b *bench, r *Request) string {
		r.Disk.Sectors = loopSectors - 8
		r.Pieces = wholeCopy(make([]byte, int(r.Disk.Sectors)*sector)).pieces
		r.Card = wholeCopy(make([]byte, int(r.Disk.Sectors)*sector))
		return b.card()
	}, disk.TargetSize, "8 more than the plan"},
	{"another sector size", func(b *bench, _ *Request) string { return b.loop(b.file("card.img"), "--sector-size", "4096") }, disk.TargetSectorSize, "sectors have 4096 bytes"},
	{"a partition", func(b *bench, _ *Request) string { _, one, _ := b.partitioned(); return one }, disk.TargetIsPartition, "it is a partition"},
	{"no card in the reader", func(b *bench, _ *Request) string {
		c := b.card()
		need.NewDisk(b) // until the test ends: nobody else gets this one meanwhile
		b.tool("losetup", "-d", c)
		return c
	}, disk.TargetNoMedium, "no card"},
	{"a FIFO", func(b *bench, _ *Request) string {
		do(b, syscall.Mkfifo(b.path("fifo"), 0o600))
		return b.path("fifo")
	}, disk.TargetWrongKind, "a pipe"},
	{"a folder", func(b *bench, _ *Request) string { return b.dir }, disk.TargetWrongKind, "a folder"},
	{"a character device", func(b *bench, _ *Request) string { return "/dev/zero" }, disk.TargetWrongKind, "a character device"},
	{"a regular file", func(b *bench, _ *Request) string { return b.file("card.img") }, disk.TargetWrongKind, "leave out --device"},
}

// Each dangerous target is refused for the right reason, together with every
// other one that holds, and not one byte of it changes.
func TestDangerousTargets(t *testing.T) {
	for _, d := range dangers {
		t.Run(d.name, func(t *testing.T) {
			b := newBench(t)
			card := wholeCopy(make([]byte, loopSectors*sector))
			req := Request{Kind: receipt.Write, Digest: "plan", Disk: plan.Size{Sectors: loopSectors, SectorSize: sector},
				Card: card, Pieces: card.pieces, Receipt: b.path("receipt")}
			path := d.build(b, &req)
			before := fingerprint(t, path)
			target, err := blockdev.OpenTarget(path)
			do(t, err)
			t.Cleanup(func() { target.Close() })
			r, err := Rehearse(target, req)
			do(t, err)
			if !r.Refusals.Has(d.code) || !strings.Contains(r.Refusals.Error(), d.says) {
				t.Errorf("want %s, %q, and got:\n%v", d.code, d.says, r.Refusals)
			}
			if _, err := r.Permit(r.Word.String()); err == nil {
				t.Error("and yet there is a permit")
			}
			t.Log(r.Refusals)
			if !bytes.Equal(before, fingerprint(t, path)) {
				t.Error("its bytes changed")
			}
			if _, err := os.Stat(b.path("receipt")); !errors.Is(err, os.ErrNotExist) {
				t.Error("a receipt was made")
			}
		})
	}
}
