package safety

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"bootgraft/image/imagetest/need"
	"bootgraft/layout/plan"
	"bootgraft/safety/blockdev"
)

const loopSectors = 24 << 20 / sector

// bench is a place to build dangerous targets: real loop devices (loop(4)) with
// real file systems on them.
type bench struct {
	testing.TB
	dir string
}

func newBench(t *testing.T) *bench {
	t.Helper()
	need.Root(t)
	return &bench{t, t.TempDir()}
}

// tool runs a program, which must succeed.
func (b *bench) tool(name string, args ...string) string {
	b.Helper()
	out, err := exec.Command(need.Tool(b, name), args...).CombinedOutput()
	if err != nil {
		b.Fatalf("%s %s: %v\n%s", name, strings.Join(args, " "), err, out)
	}
	return strings.TrimSpace(string(out))
}

// at the end of the test, whatever happens.
func (b *bench) later(name string, args ...string) {
	b.Cleanup(func() { _ = exec.Command(need.Tool(b, name), args...).Run() })
}

func (b *bench) path(name string) string { return filepath.Join(b.dir, name) }

// file makes a file of noise.
func (b *bench) file(name string) string {
	b.Helper()
	put(b, b.path(name), patterned(int64(len(name)), loopSectors))
	return b.path(name)
}

// loop attaches a file or device.
func (b *bench) loop(over string, args ...string) string {
	b.Helper()
	defer need.NewDisk(b)()
	node := b.tool("losetup", append(append([]string{"--find", "--show"}, args...), over)...)
	b.later("losetup", "-d", node)
	return node
}

// card is a loop device over a file of noise: a target that is not dangerous.
func (b *bench) card() string { return b.loop(b.file("card.img")) }

func (b *bench) ext4(node string) string {
	b.tool("mkfs.ext4", "-q", "-F", node)
	return node
}

func (b *bench) mount(node string, args ...string) string {
	b.Helper()
	dir, err := os.MkdirTemp(b.dir, "mnt")
	do(b, err)
	b.tool("mount", append(append([]string{}, args...), node, dir)...)
	b.later("umount", "-l", dir)
	return dir
}

// partitioned is a loop device with two partitions (partx(8)).
func (b *bench) partitioned() (disk, first, second string) {
	b.Helper()
	disk = b.card()
	cmd := exec.Command(need.Tool(b, "sfdisk"), "-q", "--no-reread", "--no-tell-kernel", disk)
	cmd.Stdin = strings.NewReader("label: dos\nstart=2048,size=20480,type=83\nstart=22528,size=20480,type=83\n")
	if out, err := cmd.CombinedOutput(); err != nil {
		b.Fatalf("sfdisk: %v\n%s", err, out)
	}
	b.tool("partx", "-a", disk)
	b.later("partx", "-d", disk)
	for _, p := range []string{"p1", "p2"} { // there is no udev to make the nodes where tests run in a container
		if _, err := os.Stat(disk + p); err != nil {
			b.node(disk+p, b.number(filepath.Join("/sys/block", filepath.Base(disk), filepath.Base(disk)+p, "dev")))
			b.later("rm", "-f", disk+p)
		}
	}
	return disk, disk + "p1", disk + "p2"
}

func (b *bench) number(file string) int {
	b.Helper()
	text, err := os.ReadFile(file)
	do(b, err)
	var major, minor int
	_, err = fmt.Sscanf(string(text), "%d:%d", &major, &minor)
	do(b, err)
	return major<<8 | minor&0xFF | minor>>8<<20
}

func (b *bench) node(path string, rdev int) string {
	b.Helper()
	do(b, syscall.Mknod(path, syscall.S_IFBLK|0o600, rdev))
	return path
}

// start runs a program until the end of the test, and waits until it is ready:
// it writes a line.
func (b *bench) start(name string, args ...string) {
	b.Helper()
	cmd := exec.Command(need.Tool(b, name), args...)
	in, err := cmd.StdinPipe()
	do(b, err)
	out, err := cmd.StdoutPipe()
	do(b, err)
	do(b, cmd.Start())
	b.Cleanup(func() { // its end lets go what it holds, also what its children hold
		in.Close()
		late := time.AfterFunc(5*time.Second, func() { cmd.Process.Kill() })
		cmd.Wait()
		late.Stop()
	})
	if _, err := io.ReadFull(out, make([]byte, 1)); err != nil {
		b.Fatalf("%s did not start: %v", name, err)
	}
}

// danger is one target that has to be refused.
type danger struct {
	name  string
	build func(b *bench, r *Request) (target string)
	code  string // one of the reasons
	says  string // is in the message
}

func (b *bench) fileOf(path, role string) blockdev.File {
	b.Helper()
	st, err := os.Stat(path)
	do(b, err)
	return blockdev.File{Path: path, Info: st, Role: role}
}

// rootDisk is the disk below the root of the system.
func (b *bench) rootDisk() string {
	b.Helper()
	src := b.tool("findmnt", "-n", "-o", "SOURCE", "/")
	if !strings.HasPrefix(src, "/dev/") {
		need.Absent(b, "a root file system on a disk")
	}
	return src
}

// target opens a device until the end of the test.
func (b *bench) target(node string) *blockdev.Target {
	b.Helper()
	t, err := blockdev.OpenTarget(node)
	do(b, err)
	b.Cleanup(func() { t.Close() })
	return t
}

func (b *bench) symlink(to string) string {
	do(b, os.Symlink(to, b.path("link")))
	return b.path("link")
}

var dangers = []danger{
	{"mounted", func(b *bench, _ *Request) string { c := b.ext4(b.card()); b.mount(c); return c }, TargetMounted, "is mounted on"},
	{"mounted read-only", func(b *bench, _ *Request) string { c := b.ext4(b.card()); b.mount(c, "-o", "ro"); return c }, TargetMounted, "is mounted on"},
	{"a partition mounted", func(b *bench, _ *Request) string {
		disk, one, _ := b.partitioned()
		b.mount(b.ext4(one))
		return disk
	}, TargetMounted, "p1 is mounted on"},
	{"the second partition mounted", func(b *bench, _ *Request) string {
		disk, _, two := b.partitioned()
		b.mount(b.ext4(two))
		return disk
	}, TargetMounted, "p2 is mounted on"},
	{"only a bind mount left", func(b *bench, _ *Request) string {
		c := b.ext4(b.card())
		dir := b.mount(c)
		b.mount(dir, "--bind")
		b.tool("umount", dir)
		return c
	}, TargetMounted, "is mounted on"},
	{"mounted on a folder with a blank", func(b *bench, _ *Request) string {
		c := b.ext4(b.card())
		do(b, os.Mkdir(b.path("a b"), 0o700))
		b.tool("mount", c, b.path("a b"))
		b.later("umount", b.path("a b"))
		return c
	}, TargetMounted, "a b"},
	{"mounted in another namespace only", func(b *bench, _ *Request) string {
		c := b.ext4(b.card())
		dir := b.path("inside")
		do(b, os.Mkdir(dir, 0o700))
		b.start("unshare", "-m", "sh", "-c", fmt.Sprintf("mount %s %s && echo ready && cat", c, dir))
		return c
	}, TargetMounted, "inside"},
	{"a partition mounted in another namespace only", func(b *bench, _ *Request) string {
		disk, one, _ := b.partitioned()
		b.ext4(one)
		dir := b.path("inside")
		do(b, os.Mkdir(dir, 0o700))
		b.start("unshare", "-m", "sh", "-c", fmt.Sprintf("mount %s %s && echo ready && cat", one, dir))
		return disk
	}, TargetMounted, "inside"},
	{"lazily unmounted but busy", func(b *bench, _ *Request) string {
		c := b.ext4(b.card())
		dir := b.mount(c)
		f, err := os.Create(filepath.Join(dir, "busy"))
		do(b, err)
		b.Cleanup(func() { f.Close() })
		b.tool("umount", "-l", dir)
		return c
	}, TargetHeld, "holds it exclusively"},
	{"behind another loop", func(b *bench, _ *Request) string { c := b.card(); b.loop(c); return c }, TargetInLoop, "is used by the loop device"},
	{"behind a loop that is mounted", func(b *bench, _ *Request) string {
		c := b.ext4(b.card())
		b.mount(b.loop(c))
		return c
	}, TargetMounted, "is mounted on"},
	{"behind two loops, mounted at the top", func(b *bench, _ *Request) string {
		c := b.ext4(b.card())
		b.mount(b.loop(b.loop(c)))
		return c
	}, TargetMounted, "is mounted on"},
	{"a partition behind a loop", func(b *bench, _ *Request) string {
		disk, one, _ := b.partitioned()
		b.loop(one)
		return disk
	}, TargetInLoop, "p1 is used by the loop device"},
	{"a loop over a mounted device", func(b *bench, _ *Request) string {
		c := b.ext4(b.card())
		top := b.loop(c)
		b.mount(c)
		return top
	}, TargetMounted, "is mounted on"},
	{"a second loop over the same file, mounted", func(b *bench, _ *Request) string {
		file := b.file("card.img")
		one, two := b.loop(file), b.loop(file)
		b.mount(b.ext4(one))
		return two
	}, TargetMounted, "is mounted on"},
	{"a second loop over the same file", func(b *bench, _ *Request) string {
		file := b.file("card.img")
		b.loop(file)
		return b.loop(file)
	}, TargetInLoop, "is used by the loop device"},
	{"a loop over a hard link of a file that another loop uses", func(b *bench, _ *Request) string {
		file := b.file("card.img")
		b.loop(file)
		do(b, os.Link(file, b.path("other.img")))
		return b.loop(b.path("other.img"))
	}, TargetInLoop, "is used by the loop device"},
	{"swap", func(b *bench, _ *Request) string {
		c := b.card()
		b.swapon(c)
		return c
	}, TargetInSwap, "is used for swap"},
	{"swap on a partition", func(b *bench, _ *Request) string {
		disk, _, two := b.partitioned()
		b.swapon(two)
		return disk
	}, TargetInSwap, "p2 is used for swap"},
	{"symbolic link to a mounted device", func(b *bench, _ *Request) string {
		c := b.ext4(b.card())
		b.mount(c)
		return b.symlink(c)
	}, TargetMounted, "is mounted on"},
	{"second node of a mounted device", func(b *bench, _ *Request) string {
		c := b.ext4(b.card())
		b.mount(c)
		return b.node(b.path("alias"), b.number(filepath.Join("/sys/block", filepath.Base(c), "dev")))
	}, TargetMounted, "is mounted on"},
	{"hard link of a second node", func(b *bench, _ *Request) string {
		c := b.ext4(b.card())
		b.mount(c)
		n := b.node(b.path("alias"), b.number(filepath.Join("/sys/block", filepath.Base(c), "dev")))
		do(b, os.Link(n, b.path("alias2")))
		return b.path("alias2")
	}, TargetMounted, "is mounted on"},
	{"written by another program", func(b *bench, _ *Request) string {
		c := b.card()
		b.start("sh", "-c", "exec 3<>"+c+"; echo ready; cat")
		return c
	}, TargetInUse, "is open for writing in"},
	{"a partition written by another program", func(b *bench, _ *Request) string {
		disk, one, _ := b.partitioned()
		b.start("sh", "-c", "exec 3>"+one+"; echo ready; cat")
		return disk
	}, TargetInUse, "p1 is open for writing in"},
	{"its file written by another program", func(b *bench, _ *Request) string {
		c := b.card()
		b.start("sh", "-c", "exec 3<>"+b.path("card.img")+"; echo ready; cat")
		return c
	}, TargetInUse, "is open for writing in"},
	{"held by another program", func(b *bench, _ *Request) string {
		c := b.card()
		t, err := blockdev.OpenTarget(c)
		do(b, err)
		b.Cleanup(func() { t.Close() })
		return c
	}, TargetHeld, "holds it exclusively"},
	{"the source itself", func(b *bench, r *Request) string {
		c := b.card()
		r.Files = append(r.Files, b.fileOf(c, "the source"))
		return c
	}, TargetIsSource, "it is the source"},
	{"the source under another name", func(b *bench, r *Request) string {
		c := b.card()
		r.Files = append(r.Files, b.fileOf(c, "the source"))
		return b.symlink(c)
	}, TargetIsSource, "it is the source"},
	{"a loop over the source image", func(b *bench, r *Request) string {
		c := b.card()
		r.Files = append(r.Files, b.fileOf(b.path("card.img"), "the source"))
		return c
	}, TargetIsSource, "it is the source"},
	{"a loop over a loop over the source image", func(b *bench, r *Request) string {
		c := b.loop(b.card())
		r.Files = append(r.Files, b.fileOf(b.path("card.img"), "the source"))
		return c
	}, TargetIsSource, "it is the source"},
	{"the disk of which a partition is the source", func(b *bench, r *Request) string {
		disk, one, _ := b.partitioned()
		r.Files = append(r.Files, b.fileOf(one, "the source"))
		return disk
	}, TargetIsSource, "it is the source"},
	{"a loop over the plan", func(b *bench, r *Request) string {
		c := b.card()
		r.Files = append(r.Files, b.fileOf(b.path("card.img"), "the plan"))
		return c
	}, TargetIsSource, "it is the plan"},
	{"the disk that holds the source", func(b *bench, r *Request) string {
		c := b.ext4(b.card())
		dir := b.mount(c)
		put(b, filepath.Join(dir, "old.img"), make([]byte, 4096))
		r.Files = append(r.Files, b.fileOf(filepath.Join(dir, "old.img"), "the source"))
		return c
	}, TargetHoldsJob, "it holds the source"},
	{"the disk that gets the receipt", func(b *bench, r *Request) string {
		c := b.ext4(b.card())
		r.Receipt = filepath.Join(b.mount(c), "receipt")
		return c
	}, TargetHoldsJob, "it holds the receipt"},
	{"the original, by its boot area", func(b *bench, r *Request) string {
		r.Source = wholeCopy(patterned(8, loopSectors))
		return b.card()
	}, TargetIsOriginal, "those of the original"},
	{"the system's disk", func(b *bench, _ *Request) string { return b.rootDisk() }, TargetSystem, "the running system stands on it"},
	{"the system's disk by another node", func(b *bench, _ *Request) string {
		st, err := os.Stat(b.rootDisk())
		do(b, err)
		return b.node(b.path("alias"), int(st.Sys().(*syscall.Stat_t).Rdev))
	}, TargetSystem, "the running system stands on it"},
	{"the system's disk by a link", func(b *bench, _ *Request) string { return b.symlink(b.rootDisk()) }, TargetSystem, "the running system stands on it"},
	{"read-only", func(b *bench, _ *Request) string { return b.loop(b.file("card.img"), "-r") }, TargetReadOnly, "read-only"},
	{"made read-only later", func(b *bench, _ *Request) string {
		c := b.card()
		b.tool("blockdev", "--setro", c)
		b.later("blockdev", "--setrw", c) // it outlasts the file below
		return c
	}, TargetReadOnly, "read-only"},
	{"too small", func(b *bench, _ *Request) string {
		return b.loop(b.file("card.img"), "--sizelimit", fmt.Sprint((loopSectors-1)*sector))
	}, TargetSize, "1 fewer than the plan"},
	{"too large", func(b *bench, r *Request) string {
		r.Disk.Sectors = loopSectors - 8
		r.Pieces = wholeCopy(make([]byte, int(r.Disk.Sectors)*sector)).pieces
		r.Card = wholeCopy(make([]byte, int(r.Disk.Sectors)*sector))
		return b.card()
	}, TargetSize, "8 more than the plan"},
	{"another sector size", func(b *bench, _ *Request) string { return b.loop(b.file("card.img"), "--sector-size", "4096") }, TargetSectorSize, "sectors have 4096 bytes"},
	{"a partition", func(b *bench, _ *Request) string { _, one, _ := b.partitioned(); return one }, TargetPartition, "it is a partition"},
	{"no card in the reader", func(b *bench, _ *Request) string {
		c := b.card()
		b.tool("losetup", "-d", c)
		return c
	}, TargetNoMedium, "no card"},
	{"a FIFO", func(b *bench, _ *Request) string {
		do(b, syscall.Mkfifo(b.path("fifo"), 0o600))
		return b.path("fifo")
	}, TargetWrongKind, "a pipe"},
	{"a folder", func(b *bench, _ *Request) string { return b.dir }, TargetWrongKind, "a folder"},
	{"a character device", func(b *bench, _ *Request) string { return "/dev/zero" }, TargetWrongKind, "a character device"},
	{"a regular file", func(b *bench, _ *Request) string { return b.file("card.img") }, TargetWrongKind, "leave out --device"},
}

func (b *bench) swapon(node string) {
	b.Helper()
	b.tool("mkswap", node)
	if out, err := exec.Command(need.Tool(b, "swapon"), node).CombinedOutput(); err != nil {
		need.Absent(b, "the right to swap: "+string(out))
	}
	b.Cleanup(func() { _ = exec.Command(need.Tool(b, "swapoff"), node).Run() })
}

// Each dangerous target is refused for the right reason, together with every
// other one that holds, and not one byte of it changes.
func TestDangerousTargets(t *testing.T) {
	for _, d := range dangers {
		t.Run(d.name, func(t *testing.T) {
			b := newBench(t)
			card := wholeCopy(make([]byte, loopSectors*sector))
			req := Request{Kind: Write, Digest: "plan", Disk: plan.Disk{Sectors: loopSectors, SectorSize: sector},
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

// fingerprint is a digest of the first 32 MiB of what can be read at a path
// without an effect.
func fingerprint(t *testing.T, path string) []byte {
	t.Helper()
	st, err := os.Stat(path)
	do(t, err)
	system := strings.HasPrefix(path, "/dev/") && !strings.HasPrefix(path, "/dev/loop")
	if st.IsDir() || st.Mode()&(os.ModeNamedPipe|os.ModeCharDevice) != 0 || system {
		return nil // never opened, or the system itself changes it
	}
	f, err := os.Open(path)
	if err != nil {
		return nil
	}
	defer f.Close()
	h := sha256.New()
	if st.Sys().(*syscall.Stat_t).Rdev>>8&0xFFF != 7 && !st.Mode().IsRegular() && !strings.Contains(path, "loop") {
		return nil // another name of the system's disk
	}
	_, err = io.CopyN(h, f, 32<<20)
	if err != nil && !errors.Is(err, io.EOF) {
		t.Fatal(err)
	}
	return h.Sum(nil)
}

// What changes between the rehearsal and the write is noticed, and told apart.
func TestChangedAfterRehearsal(t *testing.T) {
	b := newBench(t)
	node := b.card()
	card := wholeCopy(patterned(5, loopSectors))
	req := Request{Kind: Write, Digest: "plan", Disk: plan.Disk{Sectors: loopSectors, SectorSize: sector},
		Card: card, Pieces: card.pieces, Receipt: b.path("receipt")}
	word := func(req Request) (string, *Rehearsal) {
		target, err := blockdev.OpenTarget(node)
		do(t, err)
		t.Cleanup(func() { target.Close() })
		r, err := Rehearse(target, req)
		do(t, err)
		do(t, target.Close())
		if len(r.Refusals) > 0 {
			t.Fatal(r.Refusals)
		}
		return r.Word.String(), r
	}
	first, r := word(req)
	if again, _ := word(req); again != first {
		t.Errorf("the word of the same thing: %s, then %s", first, again)
	}
	for _, bad := range []string{"", "yes", first + "x", "bado"} {
		if _, err := r.Permit(bad); err == nil || !strings.Contains(err.Error(), "is no confirmation word") {
			t.Errorf("%q: %v", bad, err)
		}
	}
	other := req
	other.Digest = "another plan"
	_, r = word(other)
	wantWrong(t, r, first, "the plan", "the card (", "what the card holds")
	f, err := os.OpenFile(b.path("card.img"), os.O_WRONLY, 0)
	do(t, err)
	_, err = f.WriteAt([]byte("other"), loopSectors*sector-100)
	do(t, errors.Join(err, f.Close()))
	_, r = word(req)
	wantWrong(t, r, first, "what the card holds", "the plan", "the card (")
	now, _ := word(req)
	b.tool("losetup", "-d", node)
	release := need.NewDisk(b)
	b.tool("losetup", node, b.path("card.img"))
	release()
	_, r = word(req)
	wantWrong(t, r, now, "the card (", "the plan", "what the card holds")
}

func wantWrong(t *testing.T, r *Rehearsal, word, says string, not ...string) {
	t.Helper()
	_, err := r.Permit(word)
	var refusal *Refusal
	if !errors.As(err, &refusal) || refusal.Code != WrongWord || !strings.Contains(refusal.Why, says) {
		t.Fatalf("want a wrong word because of %q, got %v", says, err)
	}
	for _, n := range not {
		if strings.Contains(refusal.Why, n) {
			t.Errorf("%q did not change: %s", n, refusal.Why)
		}
	}
}

// A loop mounted over a partition of the card after the rehearsal is not held
// off by the open descriptor: the second look finds it.
func TestMountedAfterPermit(t *testing.T) {
	b := newBench(t)
	node := b.card()
	card := wholeCopy(patterned(5, loopSectors))
	target, err := blockdev.OpenTarget(node)
	do(t, err)
	t.Cleanup(func() { target.Close() })
	r, err := Rehearse(target, Request{Kind: Write, Disk: plan.Disk{Sectors: loopSectors, SectorSize: sector},
		Card: card, Pieces: card.pieces, Receipt: b.path("receipt")})
	do(t, err)
	p, err := r.Permit(r.Word.String())
	do(t, err)
	before := fingerprint(t, node)
	b.loop(node)
	_, err = p.Write(t.Context())
	var stop *Stopped
	if !errors.As(err, &stop) || stop.Touched || !strings.Contains(err.Error(), "is used by the loop device") {
		t.Errorf("got %v", err)
	}
	if !bytes.Equal(before, fingerprint(t, node)) {
		t.Error("its bytes changed")
	}
}

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
	req := Request{Kind: Write, Digest: "plan", Disk: plan.Disk{Sectors: loopSectors, SectorSize: sector},
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
	need.OnlyDisk(t)
	b := newBench(t)
	one, two := b.file("one.img"), b.file("two.img")
	plug := func(files ...string) {
		time.Sleep(200 * time.Millisecond)
		for _, f := range files {
			b.loop(f)
		}
	}
	done := make(chan struct{})
	go func() { defer close(done); plug(one) }()
	target, err := blockdev.NextTarget(t.Context())
	<-done
	do(t, err)
	f, err := target.Look(nil)
	do(t, err)
	if f.Held != nil || f.Sectors != loopSectors {
		t.Errorf("%+v", f)
	}
	do(t, target.Close())
	done = make(chan struct{})
	go func() { defer close(done); plug(one, two) }()
	_, err = blockdev.NextTarget(t.Context())
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
