package ext

import (
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"

	"bootgraft/image/imagetest/need"
)

// mounted mounts an image through a loop device, lets fn change it, and
// unmounts it again.
func mounted(t *testing.T, path string, fn func(dir string)) {
	t.Helper()
	loop := need.Loop(t, path)
	dir := t.TempDir()
	need.Mount(t, loop, dir)
	fn(dir)
	run(t, "umount", dir)
	run(t, "losetup", "-d", loop)
}

// fallocate(2).
const (
	keepSize  = 1
	punchHole = 2
)

// quick are the variants that are mounted in every run.
var quick = []string{"ext2-1k", "ext4-1k", "ext4-2k", "ext4-bigalloc", "ext4-inline-512"}

// TestAgainstKernel lets the kernel write: directories that grow an index,
// files in many pieces, holes, and space set aside over old bytes. What the
// kernel reads back is the truth.
func TestAgainstKernel(t *testing.T) {
	need.Root(t)
	for _, x := range variants {
		if !x.mount {
			continue
		}
		if !need.Long() && !slices.Contains(quick, x.name) {
			continue
		}
		t.Run(x.name, func(t *testing.T) {
			path := x.make(t, "")
			var want map[string]string
			mounted(t, path, func(dir string) {
				churn(t, dir, x)
				want = truth(t, dir)
			})
			run(t, "e2fsck", "-fn", path)
			v := open(t, path)
			got, files := listing(t, v)
			same(t, got, want)
			checkDumpe2fs(t, path, v)
			if n := len(files["pieces"].Extents); n < 10 {
				t.Errorf("the file in pieces has %d", n)
			}
			checkDebugfs(t, path, v, files["pieces"])
			checkDebugfs(t, path, v, files["holes"])
			if x.kind == "ext4" && x.name != "ext4-no-extents" {
				checkUnwritten(t, v, files["aside"])
			}
		})
	}
}

// churn fills a mounted volume.
func churn(t *testing.T, dir string, x variant) {
	t.Helper()
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	must(os.MkdirAll(filepath.Join(dir, "many"), 0o755))
	for i := range 3000 {
		name := filepath.Join(dir, "many", fmt.Sprintf("%04d-%s", i, strings.Repeat("n", i%60)))
		must(os.WriteFile(name, []byte(name[:i%9]), 0o600))
	}
	for i := range 1500 {
		must(os.Remove(filepath.Join(dir, "many", fmt.Sprintf("%04d-%s", 2*i, strings.Repeat("n", 2*i%60)))))
	}
	rng := rand.New(rand.NewPCG(3, 4))
	chunk := make([]byte, 16<<10)
	// Old bytes all over the free space: what is set aside later lies on them.
	junk := make([]byte, 12<<20)
	for i := range junk {
		junk[i] = 0xA5
	}
	must(os.WriteFile(filepath.Join(dir, "junk"), junk, 0o600))
	run(t, "sync", "-f", dir)
	must(os.Remove(filepath.Join(dir, "junk")))
	run(t, "sync", "-f", dir)

	scatter(t, dir)
	b, err := os.Create(filepath.Join(dir, "holes"))
	must(err)
	for i := range 120 {
		for j := range chunk {
			chunk[j] = byte(rng.Uint32())
		}
		_, err = b.WriteAt(chunk[:5000], int64(i)*40_000)
		must(err)
	}
	must(b.Truncate(6_000_000))
	must(b.Close())
	c, err := os.Create(filepath.Join(dir, "aside"))
	must(err)
	defer c.Close()
	if x.kind == "ext4" && x.name != "ext4-no-extents" {
		// Whole clusters: e2fsck 1.47.0 takes offence at parts of them past the end.
		must(syscall.Fallocate(int(c.Fd()), 0, 0, 3<<20))
		must(syscall.Fallocate(int(c.Fd()), keepSize, 3<<20, 1<<20))
		_, err = c.WriteAt(chunk, 1_000_000)
		must(err)
		must(syscall.Fallocate(int(c.Fd()), punchHole|keepSize, 2<<20, 256<<10))
	}
}

// scatter writes a file into the gaps between small ones on a full volume.
func scatter(t *testing.T, dir string) {
	t.Helper()
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	dust := func(i int) string { return filepath.Join(dir, fmt.Sprintf("dust-%03d", i)) }
	for i := range 600 {
		must(os.WriteFile(dust(i), make([]byte, 16<<10), 0o600))
	}
	ballast := filepath.Join(dir, "ballast")
	for range 3 { // each round takes what the one before had only reserved
		for err := error(nil); err == nil; {
			f, e := os.OpenFile(ballast, os.O_CREATE|os.O_WRONLY|os.O_APPEND, 0o600)
			must(e)
			_, err = f.Write(make([]byte, 1<<20)) // until the volume is full
			must(f.Close())
		}
		run(t, "sync", "-f", dir)
	}
	for i := range 300 {
		must(os.Remove(dust(2 * i)))
	}
	run(t, "sync", "-f", dir)
	b := make([]byte, 4_500_000) // more than the 2 % that ext4 keeps for itself
	for i := range b {
		b[i] = byte(i * i >> 9)
	}
	must(os.WriteFile(filepath.Join(dir, "pieces"), b, 0o600))
	run(t, "sync", "-f", dir)
	must(os.Remove(ballast))
}

// checkUnwritten proves that space set aside is told from data and from holes.
func checkUnwritten(t *testing.T, v *Volume, f File) {
	t.Helper()
	bytes := map[ExtentKind]int64{}
	for _, e := range f.Extents {
		bytes[e.Kind] += e.Bytes
	}
	if bytes[Unwritten] < 1_000_000 || bytes[Hole] < 200_000 || bytes[Data] < 16<<10 || bytes[Data] > 200_000 {
		t.Errorf("%s: %v", f.Path, bytes)
	}
}

// TestDirty reads a volume that is still mounted: its journal is not replayed
// (E05: Linux kernel, Documentation/filesystems/ext4/super.rst, INCOMPAT_RECOVER).
func TestDirty(t *testing.T) {
	for _, name := range []string{"ext2-1k", "ext4-4k"} {
		t.Run(name, func(t *testing.T) {
			x := variantNamed(t, name)
			path := x.make(t, "")
			mounted(t, path, func(dir string) {
				if err := os.WriteFile(filepath.Join(dir, "f"), []byte("x"), 0o600); err != nil {
					t.Fatal(err)
				}
				run(t, "sync", "-f", dir)
				v := open(t, path)
				wantCodes(t, v.Findings, "ext-dirty")
				text := v.Findings[0].Text
				if replay := strings.Contains(text, "not replayed"); replay != (x.kind == "ext4") {
					t.Errorf("the finding says: %s", text)
				}
			})
			wantCodes(t, open(t, path).Findings)
		})
	}
}
