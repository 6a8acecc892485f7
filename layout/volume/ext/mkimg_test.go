package ext

import (
	"bytes"
	"crypto/sha256"
	"fmt"
	"io"
	"io/fs"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest/need"
)

// run runs a tool and returns what it prints on stdout.
func run(t testing.TB, name string, args ...string) string {
	t.Helper()
	cmd := exec.Command(need.Tool(t, name), args...)
	cmd.Env = append(os.Environ(), "LC_ALL=C")
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("%s %s: %v\n%s%s", name, strings.Join(args, " "), err, out, stderr.String())
	}
	return string(out)
}

// variant is one way to make a file system with mke2fs(8).
type variant struct {
	name  string
	size  string   // as mke2fs takes it
	args  []string // of mke2fs
	kind  string   // as blkid(8) must call it
	mount bool     // the kernel's driver knows all of it
}

var variants = []variant{
	{"ext2-1k", "48M", []string{"-t", "ext2", "-b", "1024"}, "ext2", true},
	{"ext2-2k", "48M", []string{"-t", "ext2", "-b", "2048"}, "ext2", true},
	{"ext2-4k", "48M", []string{"-t", "ext2", "-b", "4096"}, "ext2", true},
	{"ext2-old", "48M", []string{"-t", "ext2", "-b", "1024", "-I", "128", "-O", "none"}, "ext2", true},
	{"ext2-rev0", "48M", []string{"-t", "ext2", "-b", "1024", "-r", "0", "-O", "none"}, "ext2", false},
	{"ext3-1k", "48M", []string{"-t", "ext3", "-b", "1024"}, "ext3", true},
	{"ext3-4k", "48M", []string{"-t", "ext3", "-b", "4096"}, "ext3", true},
	{"ext4-1k", "48M", []string{"-t", "ext4", "-b", "1024"}, "ext4", true},
	{"ext4-2k", "48M", []string{"-t", "ext4", "-b", "2048"}, "ext4", true},
	{"ext4-4k", "140M", []string{"-t", "ext4", "-b", "4096"}, "ext4", true},
	{"ext4-no-journal", "48M", []string{"-t", "ext4", "-b", "4096", "-O", "^has_journal"}, "ext4", true},
	{"ext4-32bit", "48M", []string{"-t", "ext4", "-b", "4096", "-O", "^64bit"}, "ext4", true},
	{"ext4-no-csum", "48M", []string{"-t", "ext4", "-b", "1024", "-O", "^metadata_csum"}, "ext4", true},
	{"ext4-uninit-bg", "48M", []string{"-t", "ext4", "-b", "1024", "-O", "^metadata_csum,uninit_bg"}, "ext4", true},
	{"ext4-no-flex", "48M", []string{"-t", "ext4", "-b", "1024", "-O", "^flex_bg"}, "ext4", true},
	{"ext4-no-extents", "48M", []string{"-t", "ext4", "-b", "1024", "-O", "^extents,^64bit"}, "ext4", true},
	{"ext4-bigalloc", "64M", []string{"-t", "ext4", "-b", "4096", "-O", "bigalloc", "-C", "16384"}, "ext4", true},
	{"ext4-bigalloc-1k", "64M", []string{"-t", "ext4", "-b", "1024", "-O", "bigalloc", "-C", "8192"}, "ext4", true},
	{"ext4-inline", "48M", []string{"-t", "ext4", "-b", "4096", "-I", "256", "-O", "inline_data"}, "ext4", true},
	{"ext4-inline-512", "48M", []string{"-t", "ext4", "-b", "1024", "-I", "512", "-O", "inline_data"}, "ext4", true},
	{"ext4-meta-bg", "48M", []string{"-t", "ext4", "-b", "1024", "-O", "meta_bg,^resize_inode"}, "ext4", true},
	{"ext2-meta-bg", "48M", []string{"-t", "ext2", "-b", "1024", "-O", "meta_bg,^resize_inode"}, "ext2", true},
	{"ext4-sparse-super2", "48M", []string{"-t", "ext4", "-b", "1024", "-O", "sparse_super2,^resize_inode"}, "ext4", true},
	{"ext4-csum-seed", "48M", []string{"-t", "ext4", "-b", "4096", "-O", "metadata_csum_seed,large_dir,ea_inode"}, "ext4", true},
	{"ext4-16k", "256M", []string{"-t", "ext4", "-b", "16384"}, "ext4", false},
	{"ext4-64k", "256M", []string{"-t", "ext4", "-b", "65536"}, "ext4", false},
}

// make makes the file system in a new image, filled from dir unless that is
// empty, and returns the path of the image.
func (x variant) make(t testing.TB, dir string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), x.name+".img")
	args := append([]string{"-q", "-F", "-L", "Attic 7", "-U", "0f1e2d3c-4b5a-6978-8796-a5b4c3d2e1f0"}, x.args...)
	if dir != "" {
		args = append(args, "-d", dir)
	}
	run(t, "mke2fs", append(args, path, x.size)...)
	return path
}

// open opens an image and reads the volume in it.
func open(t testing.TB, path string) *Volume {
	t.Helper()
	src, err := image.Open(path, 512)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { src.Close() })
	v, err := Read(src)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// tree makes a source tree: names short and long, sizes around every border,
// holes, links, a directory of many entries.
func tree(t testing.TB, many int) string {
	t.Helper()
	dir := t.TempDir()
	rng := rand.New(rand.NewPCG(1, 2))
	put := func(name string, b []byte) {
		t.Helper()
		path := filepath.Join(dir, name)
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, b, 0o640); err != nil {
			t.Fatal(err)
		}
	}
	random := func(n int) []byte {
		b := make([]byte, n)
		for i := range b {
			b[i] = byte(rng.Uint32())
		}
		return b
	}
	for _, n := range []int{0, 1, 59, 60, 61, 100, 130, 155, 160, 161, 511, 512, 513, 1023, 1025, 4095, 4096, 4097, 12*1024 + 1, 12*4096 + 1, 268*1024 + 1, 900_000} {
		put(fmt.Sprintf("sizes/%d.bin", n), random(n))
	}
	put(strings.Repeat("long-name-", 25)+"x.wav", random(70))
	put("deep/er/and/deep/er/file", random(5000))
	put("tiny/a", random(10)) // small enough to stay in the inode
	for i := range many {
		put(fmt.Sprintf("many/entry-%05d.track", i), random(i%90))
	}
	sparse := filepath.Join(dir, "sparse.bin")
	put("sparse.bin", random(3000))
	f, err := os.OpenFile(sparse, os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	end := int64(2_000_000)
	if many >= 300 {
		end = 80_000_000 // the last bytes need a third level with 1 KiB blocks
	}
	for _, at := range []int64{300_000, end - end/8} {
		if _, err := f.WriteAt(random(9000), at); err != nil {
			t.Fatal(err)
		}
	}
	if err := f.Truncate(end); err != nil {
		t.Fatal(err)
	}
	for name, to := range map[string]string{"short-link": "sizes/1.bin", "long-link": strings.Repeat("sizes/../", 20) + "sizes/60.bin"} {
		if err := os.Symlink(to, filepath.Join(dir, name)); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.Link(filepath.Join(dir, "sizes/4097.bin"), filepath.Join(dir, "second-name")); err != nil {
		t.Fatal(err)
	}
	return dir
}

// truth lists a source tree: path to what must be read there.
func truth(t testing.TB, dir string) map[string]string {
	t.Helper()
	out := map[string]string{}
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		rel, _ := filepath.Rel(dir, path)
		st, err := d.Info()
		if err != nil {
			return err
		}
		switch {
		case d.IsDir():
			out[rel] = "directory"
		case d.Type()&fs.ModeSymlink != 0:
			to, err := os.Readlink(path)
			out[rel] = "link " + to
			return err
		default:
			f, err := os.Open(path)
			if err != nil {
				return err
			}
			defer f.Close()
			h := sha256.New()
			if _, err := io.Copy(h, f); err != nil {
				return err
			}
			out[rel] = fmt.Sprintf("%x %d %v %d", h.Sum(nil), st.Size(), st.Mode(), st.ModTime().Unix())
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// listing reads a volume into the form of truth, and checks each file's runs.
func listing(t testing.TB, v *Volume) (map[string]string, map[string]File) {
	t.Helper()
	out, files := map[string]string{}, map[string]File{}
	findings, err := v.walk(func(f File) error {
		if f.Err != nil {
			t.Errorf("%s: %v", f.Path, f.Err)
			return nil
		}
		if err := checkRuns(v, f); err != nil {
			t.Errorf("%s: %v", f.Path, err)
		}
		files[f.Path] = f
		switch {
		case f.Mode.IsDir():
			out[f.Path] = "directory"
		case f.Mode&fs.ModeSymlink != 0:
			b, err := io.ReadAll(v.Open(f))
			out[f.Path] = "link " + string(b)
			return err
		default:
			h := sha256.New()
			n, err := io.Copy(h, v.Open(f))
			if err != nil {
				return err
			}
			out[f.Path] = fmt.Sprintf("%x %d %v %d", h.Sum(nil), n, f.Mode, f.Modified.Unix())
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range findings {
		t.Errorf("finding %s: %s", f.Code, f.Text)
	}
	return out, files
}

// checkRuns proves that the runs of a file tile its bytes and lie in the volume.
func checkRuns(v *Volume, f File) error {
	at := int64(0)
	for i, e := range f.Extents {
		room := int64(e.Sectors.Count)*int64(v.src.SectorSize()) - int64(e.Skip)
		switch {
		case e.FileOffset != at || e.Bytes <= 0:
			return fmt.Errorf("run %d begins at byte %d with %d bytes, want %d", i, e.FileOffset, e.Bytes, at)
		case e.Kind == Hole && !e.Sectors.Empty():
			return fmt.Errorf("run %d is a hole in sectors %s", i, e.Sectors)
		case e.Kind != Hole && (room < e.Bytes || room-e.Bytes >= int64(v.src.SectorSize())):
			return fmt.Errorf("run %d of %d bytes has room for %d", i, e.Bytes, room)
		case !(disk.Span{Count: v.sectors()}).Covers(e.Sectors):
			return fmt.Errorf("run %d lies in sectors %s of %d", i, e.Sectors, v.sectors())
		}
		at += e.Bytes
	}
	if at != f.Size {
		return fmt.Errorf("the runs end at byte %d of %d", at, f.Size)
	}
	return nil
}

// same reports how two listings differ.
func same(t testing.TB, got, want map[string]string) {
	t.Helper()
	for path, w := range want {
		if got[path] != w {
			t.Errorf("%s: got %q, want %q", path, got[path], w)
		}
	}
	for path := range got {
		if _, ok := want[path]; !ok && path != "lost+found" {
			t.Errorf("%s is not in the source", path)
		}
	}
}

func variantNamed(t testing.TB, name string) variant {
	t.Helper()
	for _, x := range variants {
		if x.name == name {
			return x
		}
	}
	t.Fatalf("no variant %s", name)
	return variant{}
}
