package resize_test

import (
	"bytes"
	"cmp"
	"fmt"
	"io/fs"
	"math/rand"
	"os"
	"os/exec"
	"path/filepath"
	"sort"
	"strings"
	"testing"

	"bootgraft/image"
	"bootgraft/image/imagetest/need"
	"bootgraft/layout/volume/fat"
)

// made is a volume by mkfs.fat (dosfstools), filled by mtools from a tree of
// files that is the truth.
type made struct {
	Path string
	tree map[string][]byte
	Src  image.Source
	V    *fat.Volume
	T    *fat.Table
}

func tool(t testing.TB, name string, args ...string) string {
	t.Helper()
	cmd := exec.Command(need.Tool(t, name), args...)
	cmd.Env = append(os.Environ(), "MTOOLS_SKIP_CHECK=1", "LC_ALL=C.UTF-8", "MTOOLSRC=/dev/null")
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("%s %s: %v\n%s", name, strings.Join(args, " "), err, out)
	}
	return string(out)
}

// recipe is how mkfs.fat makes a volume; sectors have 512 bytes.
type recipe struct {
	Sectors int64
	Args    string
	Most    int // bytes of a file, 0: 700,000
}

// randomRecipe draws a volume of any type, with 1 to 3 tables, clusters of 1
// to 8 sectors, sectors of 512 to 4096 bytes and any reserved sectors.
func randomRecipe(rng *rand.Rand) recipe {
	cluster := 1 << rng.Intn(3)
	fats := 1 + rng.Intn(3)
	switch rng.Intn(8) {
	case 0, 1:
		return recipe{Sectors: int64(800 + rng.Intn(3200*cluster)), Args: fmt.Sprintf("-F 12 -s %d -f %d -R %d", cluster, fats, 1+rng.Intn(9))}
	case 2, 3:
		return recipe{Sectors: int64(cluster) * int64(6000+rng.Intn(20000)), Args: fmt.Sprintf("-F 16 -s %d -f %d -R %d -r %d", cluster, fats, 1+rng.Intn(9), 16*(8+rng.Intn(33)))}
	case 4:
		size := 1024 << rng.Intn(3)
		return recipe{Sectors: int64(size/512) * int64(7000+rng.Intn(4000)), Args: fmt.Sprintf("-F 16 -S %d -s 1 -f %d", size, fats)}
	default:
		return recipe{Sectors: int64(cluster) * int64(69000+rng.Intn(9000)), Args: fmt.Sprintf("-F 32 -s %d -f %d -R %d", cluster, fats, 32+rng.Intn(9))}
	}
}

func mkfs(t testing.TB, r recipe) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "volume.img")
	if err := os.WriteFile(path, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(path, r.Sectors*512); err != nil {
		t.Fatal(err)
	}
	tool(t, "mkfs.fat", append(strings.Fields(r.Args), "-a", "-i", "c0ffee01", "-n", "OLD SONGS", path)...)
	return path
}

var folders = []string{"", "SONGS/", "SONGS/Evening of a long summer day/", "lower/", "SONGS/Evening of a long summer day/deep/"}

// makeVolume fills a fresh volume to a share of its room: nested, long-named
// and empty files, some deleted and the room used again, so that later files
// lie in pieces.
func makeVolume(t testing.TB, r recipe, rng *rand.Rand) *made {
	t.Helper()
	m := &made{Path: mkfs(t, r), tree: map[string][]byte{}}
	for _, d := range folders[1:] {
		tool(t, "mmd", "-i", m.Path, "::/"+strings.TrimSuffix(d, "/"))
	}
	room := float64(r.Sectors*512) * (0.3 + 0.5*rng.Float64())
	most := cmp.Or(r.Most, 700_000)
	m.fill(t, rng, 0, 40, min(most, int(room/40*1.4)))
	var gone []string
	for _, p := range m.paths() {
		if rng.Intn(2) == 0 {
			gone = append(gone, "::/"+p)
			delete(m.tree, p)
		}
	}
	tool(t, "mdel", append([]string{"-i", m.Path}, gone...)...)
	m.fill(t, rng, 40, 60, min(most, int(room/45*1.4)))
	m.Open(t)
	return m
}

func (m *made) paths() []string {
	var out []string
	for p := range m.tree {
		out = append(out, p)
	}
	sort.Strings(out)
	return out
}

func (m *made) fill(t testing.TB, rng *rand.Rand, from, to, most int) {
	t.Helper()
	dir := t.TempDir()
	forms := []string{"TRACK%03d.WAV", "Recording number %d, second take.wav", "low%d.txt", "Übung %d.wav", "NOEXT%d"}
	into := map[string][]string{}
	for i := from; i < to; i++ {
		folder := folders[rng.Intn(len(folders))]
		p := folder + fmt.Sprintf(forms[i%len(forms)], i)
		b := make([]byte, rng.Intn(most+1))
		if i%11 == 0 {
			b = nil
		}
		rng.Read(b)
		m.tree[p] = b
		local := filepath.Join(dir, filepath.Base(p))
		if err := os.WriteFile(local, b, 0o600); err != nil {
			t.Fatal(err)
		}
		into[folder] = append(into[folder], local)
	}
	for _, d := range folders {
		if len(into[d]) > 0 {
			tool(t, "mcopy", append(append([]string{"-m", "-i", m.Path}, into[d]...), "::/"+d)...)
		}
	}
}

func (m *made) Open(t testing.TB) {
	t.Helper()
	f, err := image.Open(m.Path, 512)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close() })
	m.Src = f
	m.V, m.T = read(t, f)
}

func read(t testing.TB, src image.Source) (*fat.Volume, *fat.Table) {
	t.Helper()
	v, err := fat.Read(src)
	if err != nil {
		t.Fatal(err)
	}
	tab, err := v.LoadTable(v.Active)
	if err != nil {
		t.Fatal(err)
	}
	return v, tab
}

// judge lets fsck.fat (dosfstools), mdir and mcopy (mtools) and GRUB's reader
// of FAT say whether the volume is sound and holds the tree.
func (m *made) Judge(t testing.TB, path string) {
	t.Helper()
	v, tab := open(t, path)
	if v.BPB.FATs <= 2 { // fsck.fat knows no more
		if out := tool(t, "fsck.fat", "-n", path); strings.Contains(out, "differences") {
			t.Errorf("fsck.fat: %s", out)
		}
	}
	m.judgeMtools(t, path)
	if h := v.Check(tab); h.Unsafe > 0 || h.Lost > 0 || len(v.CompareTables()) > 0 {
		t.Errorf("our own check: %+v", h.Problems)
	}
	if v.BPB.FATs > 2 || v.PerSector > 1 {
		return // GRUB reads two tables at most, and grub-fstest sectors of 512 bytes
	}
	for _, p := range m.paths() {
		if !strings.ContainsAny(p, " ,Ü") && len(m.tree[p]) > 0 {
			local := filepath.Join(t.TempDir(), "want")
			if err := os.WriteFile(local, m.tree[p], 0o600); err != nil {
				t.Fatal(err)
			}
			tool(t, "grub-fstest", path, "cmp", "(loop0)/"+p, local)
			return
		}
	}
}

func open(t testing.TB, path string) (*fat.Volume, *fat.Table) {
	t.Helper()
	f, err := image.Open(path, 512)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close() })
	return read(t, f)
}

func (m *made) judgeMtools(t testing.TB, path string) {
	t.Helper()
	got := map[string]bool{}
	for _, l := range strings.Split(tool(t, "mdir", "-/", "-b", "-a", "-i", path, "::/"), "\n") {
		got[strings.TrimSuffix(strings.TrimPrefix(strings.TrimSpace(l), "::/"), "/")] = true
	}
	for p := range m.tree {
		if !got[p] {
			t.Errorf("mdir does not list %s", p)
		}
	}
	dir := t.TempDir()
	tool(t, "mcopy", "-s", "-n", "-m", "-i", path, "::/", dir)
	files := 0
	err := filepath.WalkDir(dir, func(p string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		files++
		b, err := os.ReadFile(p)
		rel, _ := filepath.Rel(dir, p)
		if want, ok := m.tree[rel]; !ok || !bytes.Equal(b, want) {
			t.Errorf("mcopy reads %s with %d bytes that are not those copied in", rel, len(b))
		}
		return err
	})
	if err != nil || files != len(m.tree) {
		t.Errorf("mcopy reads %d files of %d: %v", files, len(m.tree), err)
	}
}
