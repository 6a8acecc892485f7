package safety

import (
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
	"bootgraft/safety/blockdev"
)

// loopSectors is as few as both ends of a card, two partitions with file systems
// and something between leave.
const loopSectors = 8 << 20 / sector

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

// later runs a program at the end of the test, whatever happens.
func (b *bench) later(name string, args ...string) {
	b.Helper()
	tool := need.Tool(b, name) // now: a clean-up cannot skip the test any more
	b.Cleanup(func() { _ = exec.Command(tool, args...).Run() })
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
	return need.Loop(b, over, args...)
}

// card is a loop device over a file of noise: a target that is not dangerous.
func (b *bench) card() string { return b.loop(b.file("card.img")) }

// ext4 makes a file system that does not change while it is mounted and nobody
// uses it: no journal, and nothing that the kernel still has to set up.
func (b *bench) ext4(node string) string {
	b.tool("mkfs.ext4", "-q", "-F", "-O", "^has_journal,^uninit_bg,^metadata_csum", "-E", "lazy_itable_init=0", node)
	return node
}

func (b *bench) mount(node string, args ...string) string {
	b.Helper()
	dir, err := os.MkdirTemp(b.dir, "mnt")
	do(b, err)
	need.Mount(b, node, dir, args...)
	return dir
}

// partitioned is a loop device with two partitions (partx(8)).
func (b *bench) partitioned() (disk, first, second string) {
	b.Helper()
	disk = b.card()
	cmd := exec.Command(need.Tool(b, "sfdisk"), "-q", "--no-reread", "--no-tell-kernel", disk)
	cmd.Stdin = strings.NewReader("label: dos\nstart=2048,size=6144,type=83\nstart=8192,size=6144,type=83\n")
	if out, err := cmd.CombinedOutput(); err != nil {
		b.Fatalf("sfdisk: %v\n%s", err, out)
	}
	b.later("partx", "-d", disk)
	b.tool("partx", "-a", disk)
	for _, p := range []string{"p1", "p2"} { // there is no udev to make the nodes where tests run in a container
		if _, err := os.Stat(disk + p); err != nil {
			b.Cleanup(func() { os.Remove(disk + p) })
			b.node(disk+p, b.number(filepath.Join("/sys/block", filepath.Base(disk), filepath.Base(disk)+p, "dev")))
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
	need.Ends(b, cmd)
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

func (b *bench) swapon(node string) {
	b.Helper()
	b.tool("mkswap", node)
	if out, err := exec.Command(need.Tool(b, "swapon"), node).CombinedOutput(); err != nil {
		need.Absent(b, "the right to swap: "+string(out))
	}
	b.later("swapoff", node)
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
