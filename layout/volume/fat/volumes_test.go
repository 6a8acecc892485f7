package fat_test

import (
	"bytes"
	"fmt"
	"io"
	"math/rand"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"sort"
	"strconv"
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
	Tree map[string][]byte // files
	Dirs map[string]bool
	Src  image.Source
	V    *fat.Volume
	T    *fat.Table
}

type recipe struct {
	name    string
	sectors int64 // of 512 bytes
	args    string
}

var recipes = []recipe{
	{"fat12-floppy", 2880, "-F 12"},
	{"fat12-large-clusters", 16384, "-F 12 -s 8"},
	{"fat12-reserved-5", 8192, "-F 12 -R 5 -s 4"},
	{"fat12-one-table", 8192, "-F 12 -f 1 -s 8"},
	{"fat16", 65536, "-F 16"},
	{"fat16-one-table", 65536, "-F 16 -f 1"},
	{"fat16-reserved-8", 131072, "-F 16 -R 8 -s 2 -r 1024"},
	{"fat16-sector-2048", 131072, "-F 16 -S 2048 -s 1"},
	{"fat16-three-tables", 65536, "-F 16 -f 3"},
	{"fat32-small-clusters", 131072, "-F 32 -s 1"},
	{"fat32-one-table", 131072, "-F 32 -s 1 -f 1"},
	{"fat32", 1048576, "-F 32"},
	{"fat32-sector-4096", 1048576, "-F 32 -S 4096 -s 1"},
	{"fat32-reserved-4096", 131072, "-F 32 -s 1 -R 4096"},
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

func mkfs(t testing.TB, r recipe) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), r.name+".img")
	if err := os.WriteFile(path, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(path, r.sectors*512); err != nil {
		t.Fatal(err)
	}
	tool(t, "mkfs.fat", append(strings.Fields(r.args), "-i", "c0ffee01", "-n", "OLD SONGS", path)...)
	return path
}

// makeVolume fills a fresh volume: nested, long-named, lower-case and empty
// files, some deleted and the room used again, so that later files lie in
// pieces.
func makeVolume(t testing.TB, r recipe, seed int64) *made {
	t.Helper()
	m := &made{Path: mkfs(t, r), Tree: map[string][]byte{}, Dirs: map[string]bool{}}
	rng := rand.New(rand.NewSource(seed))
	for _, d := range []string{"SONGS", "SONGS/Evening of a long summer day", "lower", "SONGS/Evening of a long summer day/deep", "EMPTY"} {
		tool(t, "mmd", "-i", m.Path, "::/"+d)
		m.Dirs[d] = true
	}
	room := int(r.sectors*512) * 6 / 10
	first := m.names(0, 30)
	m.copyIn(t, rng, first, room/60)
	var gone []string
	for i, p := range first {
		if i%3 == 1 {
			gone = append(gone, "::/"+p)
			delete(m.Tree, p)
		}
	}
	tool(t, "mdel", append([]string{"-i", m.Path}, gone...)...)
	m.copyIn(t, rng, m.names(30, 50), room/25)
	m.open(t)
	return m
}

func (m *made) names(from, to int) []string {
	dirs := []string{"", "SONGS/", "SONGS/Evening of a long summer day/", "lower/", "SONGS/Evening of a long summer day/deep/"}
	forms := []string{"TRACK%03d.WAV", "Recording number %d, second take.wav", "low%d.txt", "Übung %d – drums.wav", "NOEXT%d", "two.dots.%d.x"}
	var out []string
	for i := from; i < to; i++ {
		out = append(out, dirs[i%len(dirs)]+fmt.Sprintf(forms[i%len(forms)], i))
	}
	return out
}

func (m *made) copyIn(t testing.TB, rng *rand.Rand, names []string, most int) {
	t.Helper()
	dir := t.TempDir()
	into := map[string][]string{}
	for i, p := range names {
		b := make([]byte, min(rng.Intn(most)+1, 300_000))
		if i%11 == 0 {
			b = b[:0]
		}
		rng.Read(b)
		m.Tree[p] = b
		local := filepath.Join(dir, p)
		if err := os.MkdirAll(filepath.Dir(local), 0o700); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(local, b, 0o600); err != nil {
			t.Fatal(err)
		}
		d, _ := filepath.Split(p)
		into[d] = append(into[d], local)
	}
	order := make([]string, 0, len(into))
	for d := range into {
		order = append(order, d)
	}
	sort.Strings(order)
	for _, d := range order {
		tool(t, "mcopy", append(append([]string{"-m", "-i", m.Path}, into[d]...), "::/"+d)...)
	}
}

func (m *made) open(t testing.TB) {
	t.Helper()
	f, err := image.Open(m.Path, 512)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close() })
	m.Src = f
	if m.V, err = fat.Read(f); err != nil {
		t.Fatal(err)
	}
	if m.T, err = m.V.LoadTable(m.V.Active); err != nil {
		t.Fatal(err)
	}
}

// listing is what our reader sees.
func listing(t testing.TB, v *fat.Volume, tab *fat.Table) (files map[string][]byte, dirs map[string]bool) {
	t.Helper()
	files, dirs = map[string][]byte{}, map[string]bool{}
	w := v.NewWalk(tab, fat.WalkOptions{})
	for f := range w.Files() {
		if f.Dir {
			dirs[f.Path] = true
			continue
		}
		b, err := io.ReadAll(v.Open(f).Reader())
		if err != nil {
			t.Errorf("%s: %v", f.Path, err)
		}
		files[f.Path] = b
	}
	for _, f := range w.Findings {
		t.Errorf("finding %s: %s", f.Code, f.Text)
	}
	return files, dirs
}

func compareTrees(t testing.TB, got, want map[string][]byte) {
	t.Helper()
	for p, b := range want {
		if g, ok := got[p]; !ok {
			t.Errorf("%s is not there", p)
		} else if !bytes.Equal(g, b) {
			t.Errorf("%s: %d bytes differ from the %d wanted", p, len(g), len(b))
		}
	}
	for p := range got {
		if _, ok := want[p]; !ok {
			t.Errorf("%s is there and should not be", p)
		}
	}
}

func forEach(t *testing.T, do func(*testing.T, *made)) {
	for i, r := range recipes {
		t.Run(r.name, func(t *testing.T) { do(t, makeVolume(t, r, int64(i+1))) })
	}
}

// The truth is the tree that was copied in; fsck.fat (dosfstools), mdir
// (mtools) and GRUB's reader of FAT judge beside it.
func TestVolumes(t *testing.T) {
	forEach(t, func(t *testing.T, m *made) {
		files, dirs := listing(t, m.V, m.T)
		compareTrees(t, files, m.Tree)
		for d := range m.Dirs {
			if !dirs[d] {
				t.Errorf("directory %s is not there", d)
			}
		}
		checkHealth(t, m)
		checkMdir(t, m, files)
		checkGrub(t, m)
		checkPlaces(t, m)
		checkSecond(t, m)
		checkBlkid(t, m)
	})
}

// checkPlaces proves that each entry lies where we say, and that extents add
// up to the clusters.
func checkPlaces(t *testing.T, m *made) {
	t.Helper()
	raw, err := os.ReadFile(m.Path)
	if err != nil {
		t.Fatal(err)
	}
	fragmented := false
	for f := range m.V.NewWalk(m.T, fat.WalkOptions{}).Files() {
		at := int64(f.Place.Sector)*512 + int64(f.Place.Offset)
		if !bytes.Equal(raw[at:at+32], f.Raw[:]) {
			t.Errorf("%s: its entry does not lie at %+v", f.Path, f.Place)
		}
		if slot := int64(f.Slot.Sector)*512 + int64(f.Slot.Offset); f.Long && (raw[slot]&0x40 == 0 || raw[slot+11] != 0x0F) {
			t.Errorf("%s: no long name begins at %+v", f.Path, f.Slot)
		}
		n := int64(0)
		for _, e := range f.Extents() {
			n += int64(e.Count)
		}
		if n != int64(f.Chain.Clusters)*int64(m.V.ClusterSectors) {
			t.Errorf("%s: %d sectors in %d clusters", f.Path, n, f.Chain.Clusters)
		}
		fragmented = fragmented || len(f.Chain.Runs) > 1
		if f.Raw.Modified().Year() < 2020 {
			t.Errorf("%s: modified %v", f.Path, f.Raw.Modified())
		}
	}
	if !fragmented && m.V.Sectors <= 131072 { // mtools goes on after its last cluster while there is room
		t.Error("no file lies in pieces, so the test shows too little")
	}
}

// The same file read through random windows is the same file.
func TestReadAt(t *testing.T) {
	m := makeVolume(t, recipes[4], 7)
	rng := rand.New(rand.NewSource(1))
	for f := range m.V.NewWalk(m.T, fat.WalkOptions{}).Files() {
		if f.Dir {
			continue
		}
		c := m.V.Open(f)
		want := m.Tree[f.Path]
		for range 20 {
			off, n := rng.Int63n(c.Size()+2), rng.Intn(3000)
			p := make([]byte, n)
			got, err := c.ReadAt(p, off)
			part := want[min(off, int64(len(want))):]
			part = part[:min(n, len(part))]
			if !bytes.Equal(p[:got], part) || (got < n) != (err == io.EOF) {
				t.Fatalf("%s at %d: %d bytes, %v; want %d", f.Path, off, got, err, len(part))
			}
		}
	}
}

var fsckData = regexp.MustCompile(`(?s)Data area starts at byte (\d+).* +(\d+) data clusters`)

// F11, F13 to F16, F26: what mkfs.fat makes of sizes from the table above, in
// sparse files; fsck.fat says where its data begin. By default mkfs.fat rounds
// the volume down to whole tracks: 15,515,648 sectors become 15,515,640.
func TestLargeVolumes(t *testing.T) {
	for _, c := range []struct {
		sectors int64
		args    string
		want    int64 // sectors of the volume
	}{
		{15515648, "-F 32", 15515640}, // F26
		{15515648, "-F 32 -a -s 8", 15515648},
		{39062961, "-F 32 -a -s 32", 39062961},
		{78140097, "-F 32 -a -s 64", 78140097},
		{16777216, "-F 32 -a -s 8", 16777216},
		{4194144, "-F 16 -a -s 64", 4194144}, // F11
	} {
		path := mkfs(t, recipe{"large", c.sectors, c.args})
		src, err := image.Open(path, 512)
		if err != nil {
			t.Fatal(err)
		}
		defer src.Close()
		v, err := fat.Read(src)
		if err != nil {
			t.Fatal(err)
		}
		n := fsckData.FindStringSubmatch(tool(t, "fsck.fat", "-n", "-v", path))
		if n == nil || n[1] != strconv.FormatInt(int64(v.Data)*512, 10) || n[2] != strconv.Itoa(int(v.Clusters)) || int64(v.Sectors) != c.want {
			t.Errorf("%d %s: data at sector %d, %d clusters, %d sectors; fsck.fat: %v", c.sectors, c.args, v.Data, v.Clusters, v.Sectors, n)
		}
	}
}
