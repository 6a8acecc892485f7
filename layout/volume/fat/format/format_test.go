package format_test

import (
	"bytes"
	"fmt"
	"io"
	"math/rand"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/image/imagetest/need"
	"bootgraft/layout/volume/fat"
	"bootgraft/layout/volume/fat/format"
)

var cases = []format.Options{
	{Sectors: 2880, Kind: fat.FAT12, SectorsPerCluster: 1, RootEntries: 224, Media: 0xF0, Label: "FLOPPY"},
	{Sectors: 8400},
	{Sectors: 8401},
	{Sectors: 8769, Reserved: 1},
	{Sectors: 32680},
	{Sectors: 65536, Hidden: 63, Label: "TRACKS"},
	{Sectors: 20000, BytesPerSector: 1024, Kind: fat.FAT16, SectorsPerCluster: 4},
	{Sectors: 40000, BytesPerSector: 2048, Kind: fat.FAT16, SectorsPerCluster: 2},
	{Sectors: 66600, Kind: fat.FAT32, SectorsPerCluster: 1, FATs: 1},
	{Sectors: 81920, Kind: fat.FAT32, SectorsPerCluster: 1, RootCluster: 500, Reserved: 100},
	{Sectors: 70000, BytesPerSector: 4096, Kind: fat.FAT32, SectorsPerCluster: 1},
	{Sectors: 1 << 20, Label: "SONGS"},
	{Sectors: 39062961, Kind: fat.FAT32},
}

func name(o format.Options) string {
	return fmt.Sprintf("%d-%d-%s-%d", o.Sectors, o.BytesPerSector, o.Kind, o.SectorsPerCluster)
}

// fill makes nested, long-named, deleted and fragmented content, and returns
// what each file must hold.
func fill(t testing.TB, v *format.Volume, seed int64) map[string][]byte {
	t.Helper()
	rng := rand.New(rand.NewSource(seed))
	want := map[string][]byte{}
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	dirs := []string{"", "SONGS/", "SONGS/A long name of a directory/", "lower/"}
	for _, d := range dirs[1:] {
		must(v.Mkdir(strings.TrimSuffix(d, "/"), format.File{}))
	}
	when := time.Date(2003, 5, 17, 12, 34, 57, 250e6, time.UTC)
	for i := range 60 {
		path := dirs[rng.Intn(len(dirs))] + []string{"TRACK%02d.WAV", "Recording number %d, second take.wav", "x%d", "Süd %d.txt"}[i%4]
		path = fmt.Sprintf(path, i)
		b := make([]byte, []int{0, 1, 511, 4096, 30000}[rng.Intn(5)])
		rng.Read(b)
		must(v.Add(path, bytes.NewReader(b), int64(len(b)), format.File{Modified: when, Fragment: rng.Intn(3)}))
		if i%7 == 6 {
			must(v.Remove(path))
			continue
		}
		want[path] = b
	}
	return want
}

func build(t testing.TB, o format.Options) (*imagetest.Disk, map[string][]byte) {
	t.Helper()
	size := max(o.BytesPerSector, 512)
	d := imagetest.New(disk.Sector(o.Sectors), size)
	v, err := format.New(d, o)
	if err != nil {
		t.Fatal(err)
	}
	want := fill(t, v, o.Sectors)
	if err := v.Close(); err != nil {
		t.Fatal(err)
	}
	return d, want
}

func save(t testing.TB, d image.Source) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "volume.img")
	f, err := os.Create(path)
	if err == nil {
		err = f.Truncate(d.Size())
	}
	for off := int64(0); err == nil; {
		start, end := image.NextData(d, off)
		if start >= d.Size() {
			break
		}
		_, err = io.Copy(io.NewOffsetWriter(f, start), io.NewSectionReader(d, start, end-start))
		off = end
	}
	if err == nil {
		err = f.Close()
	}
	if err != nil {
		t.Fatal(err)
	}
	return path
}

// fsck.fat of dosfstools is the judge; it exits with 1 for whatever it would
// repair.
func TestCheckerAccepts(t *testing.T) {
	fsck := need.Tool(t, "fsck.fat")
	for _, o := range cases {
		t.Run(name(o), func(t *testing.T) {
			d, _ := build(t, o)
			out, err := exec.Command(fsck, "-n", "-v", save(t, d)).CombinedOutput()
			if err != nil {
				t.Fatalf("fsck.fat: %v\n%s", err, out)
			}
		})
	}
}

func TestReadBack(t *testing.T) {
	for _, o := range cases {
		t.Run(name(o), func(t *testing.T) {
			d, want := build(t, o)
			v, err := fat.Read(d)
			if err != nil {
				t.Fatal(err)
			}
			tab, err := v.LoadTable(v.Active)
			if err != nil {
				t.Fatal(err)
			}
			if h := v.Check(tab); h.Total != 0 || h.Lost != 0 {
				t.Errorf("not healthy: %+v", h.Problems)
			}
			for f := range v.NewWalk(tab, fat.WalkOptions{}).Files() {
				if f.Dir {
					continue
				}
				got, err := io.ReadAll(v.Open(f).Reader())
				if err != nil || !bytes.Equal(got, want[f.Path]) {
					t.Errorf("%s: %d bytes, %v", f.Path, len(got), err)
				}
				delete(want, f.Path)
			}
			for p := range want {
				t.Errorf("%s is not there", p)
			}
		})
	}
}

// Volumes of random kind, size and shape are sound by fsck.fat (dosfstools) and
// by our reader, and hold what was put in.
func TestRandomVolumes(t *testing.T) {
	fsck := need.Tool(t, "fsck.fat")
	for _, seed := range need.Seeds(12, 1000) {
		rng := rand.New(rand.NewSource(seed))
		o := randomOptions(rng)
		d, want := build(t, o)
		if out, err := exec.Command(fsck, "-n", save(t, d)).CombinedOutput(); err != nil {
			t.Errorf("seed %d, %+v: fsck.fat: %v\n%s", seed, o, err, out)
		}
		v, err := fat.Read(d)
		if err != nil {
			t.Fatalf("seed %d: %v", seed, err)
		}
		tab, err := v.LoadTable(v.Active)
		if err != nil {
			t.Fatalf("seed %d: %v", seed, err)
		}
		if h := v.Check(tab); h.Total != 0 || h.Lost != 0 || h.Files != len(want) || v.Kind != o.Kind {
			t.Errorf("seed %d, %+v: %+v", seed, o, h)
		}
		for f := range v.NewWalk(tab, fat.WalkOptions{}).Files() {
			if got, err := io.ReadAll(v.Open(f).Reader()); !f.Dir && (err != nil || !bytes.Equal(got, want[f.Path])) {
				t.Errorf("seed %d: %s: %d bytes, %v", seed, f.Path, len(got), err)
			}
		}
	}
}

// randomOptions picks a volume with room for what fill puts into it.
func randomOptions(rng *rand.Rand) format.Options {
	o := format.Options{
		BytesPerSector: 512 << rng.Intn(4),
		FATs:           1 + rng.Intn(2),
		Kind:           []fat.Kind{fat.FAT12, fat.FAT16, fat.FAT32}[rng.Intn(3)],
		Hidden:         rng.Uint32(),
		ID:             rng.Uint32(),
	}
	low, high := int64(fat.MinFAT16), int64(fat.MinFAT32-1)
	switch o.Kind {
	case fat.FAT12:
		low, high = 2000, fat.MinFAT16-1
	case fat.FAT32:
		low, high = fat.MinFAT32, 70000
		o.Reserved = 9 + rng.Intn(100)
		o.RootCluster = uint32(2 + rng.Intn(60000))
	default:
		o.Reserved = 1 + rng.Intn(20)
	}
	o.SectorsPerCluster = 1 << rng.Intn(3)
	for { // the tables take room too: try sizes until the kind comes out
		clusters := low + rng.Int63n(high-low+1)
		o.Sectors = clusters*int64(o.SectorsPerCluster) + rng.Int63n(2000)
		if _, err := o.Geometry(); err == nil {
			return o
		}
	}
}

// mtools reads names and contents.
func TestMtoolsReads(t *testing.T) {
	mcopy := need.Tool(t, "mcopy")
	for _, o := range cases[:6] {
		t.Run(name(o), func(t *testing.T) {
			d, want := build(t, o)
			to := t.TempDir()
			cmd := exec.Command(mcopy, "-i", save(t, d), "-s", "-n", "::/", to)
			cmd.Env = append(os.Environ(), "MTOOLS_SKIP_CHECK=1", "LC_ALL=C.UTF-8")
			if out, err := cmd.CombinedOutput(); err != nil {
				t.Fatalf("mcopy: %v\n%s", err, out)
			}
			for p, b := range want {
				if got, err := os.ReadFile(filepath.Join(to, p)); err != nil || !bytes.Equal(got, b) {
					t.Errorf("%s: %d bytes, %v", p, len(got), err)
				}
			}
		})
	}
}

// F09, F10: the published FAT16 formula is short for 17,133 sizes between
// 8,401 and 4,194,304 sectors. Microsoft FAT v1.03, "FAT Volume
// Initialization"; the count is arithmetic.
func TestTableIsNeverShort(t *testing.T) {
	short, step := 0, int64(1)
	spc := func(n int64) int {
		for _, r := range [][2]int64{{32680, 2}, {262144, 4}, {524288, 8}, {1048576, 16}, {2097152, 32}, {4194304, 64}} {
			if n <= r[0] {
				return int(r[1])
			}
		}
		panic("too large")
	}
	for n := int64(8401); n <= 4194304; n += step {
		c := int64(spc(n))
		size := published(fat.FAT16, n, 33, 2, c)
		if clusters := (n - 33 - 2*size) / c; size*256 < clusters+2 {
			short++
		}
		ours, clusters := fat.TableSectors(fat.FAT16, n, 33, 2, int(c), 512)
		if ours*256 < clusters+2 {
			t.Fatalf("%d sectors: a table of %d sectors is too small for %d clusters", n, ours, clusters)
		}
		if less := ours - 1; less > 0 && less*256 >= (n-33-2*less)/c+2 {
			t.Fatalf("%d sectors: %d would do", n, less)
		}
	}
	if short != 17133 {
		t.Errorf("the published formula is short for %d sizes, want 17133", short)
	}
}

// published is the formula of FG as it stands there.
func published(k fat.Kind, disk, before, fats, spc int64) int64 {
	t1, t2 := disk-before, 256*spc+fats
	if k == fat.FAT32 {
		t2 /= 2
	}
	return (t1 + t2 - 1) / t2
}

// F05, F06: the two tables of FG, "FAT Volume Initialization". F11, F12: the
// last row of the first ends above what FAT16 can have; mkfs.fat of dosfstools
// refuses 4,194,145 sectors too. F08: 262,144 sectors.
func TestGeometry(t *testing.T) {
	for _, c := range []struct {
		kind    fat.Kind
		sectors int64
		spc     int // 0: refused
	}{
		{fat.FAT16, 8401, 2}, {fat.FAT16, 32680, 2}, {fat.FAT16, 32681, 4},
		{fat.FAT16, 262144, 4}, {fat.FAT16, 262145, 8}, {fat.FAT16, 524288, 8}, {fat.FAT16, 524289, 16},
		{fat.FAT16, 1048576, 16}, {fat.FAT16, 1048577, 32}, {fat.FAT16, 2097152, 32}, {fat.FAT16, 2097153, 64},
		{fat.FAT16, 4194144, 64}, {fat.FAT16, 4194145, 0}, {fat.FAT16, 4194304, 0},
		{fat.FAT32, 66601, 1}, {fat.FAT32, 532480, 1}, {fat.FAT32, 532481, 8},
		{fat.FAT32, 16777216, 8}, {fat.FAT32, 16777217, 16}, {fat.FAT32, 33554432, 16}, {fat.FAT32, 33554433, 32},
		{fat.FAT32, 67108864, 32}, {fat.FAT32, 67108865, 64},
	} {
		g, err := format.Options{Kind: c.kind, Sectors: c.sectors}.Geometry()
		if (err != nil) != (c.spc == 0) || err == nil && g.SectorsPerCluster != c.spc {
			t.Errorf("%s of %d sectors: %d per cluster, %v; want %d", c.kind, c.sectors, g.SectorsPerCluster, err, c.spc)
		}
	}
	if g, _ := (format.Options{Kind: fat.FAT16, Sectors: 4194144}).Geometry(); g.Parts.Clusters != 65524 {
		t.Errorf("F11: %d clusters", g.Parts.Clusters)
	}
	if g, _ := (format.Options{Kind: fat.FAT16, Sectors: 262144}).Geometry(); g.Parts.Clusters != 65399 || g.Parts.Data() != 545 || g.Parts.Table != 256 {
		t.Errorf("F08: %+v", g)
	}
	if g, err := (format.Options{Kind: fat.FAT16, Sectors: 8769}).Geometry(); g.Parts.Table != 18 {
		t.Errorf("F09: table of %d sectors, %v", g.Parts.Table, err)
	}
}

// F07, F13 to F16: what the published formula gives for FAT32; it wastes
// sectors, and ours must hold an entry for each cluster with none to spare.
func TestFormulaFAT32(t *testing.T) {
	for _, c := range []struct{ disk, spc, size, first, clusters int64 }{
		{1048576, 8, 1023, 2078, 130812},     // F07
		{15515648, 8, 15138, 30308, 1935667}, // F13
		{39062961, 32, 9535, 19102, 1220120}, // F14
		{78140097, 64, 9538, 19108, 1220640}, // F15
		{16777216, 8, 16368, 32768, 2093056}, // F16
	} {
		size := published(fat.FAT32, c.disk, 32, 2, c.spc)
		if first := 32 + 2*size; size != c.size || first != c.first || (c.disk-first)/c.spc != c.clusters {
			t.Errorf("%d: the formula gives %d, %d, %d", c.disk, size, first, (c.disk-first)/c.spc)
		}
		ours, clusters := fat.TableSectors(fat.FAT32, c.disk, 32, 2, int(c.spc), 512)
		if ours > size || (clusters+2+127)/128 != ours || clusters < c.clusters {
			t.Errorf("%d: ours is %d for %d clusters", c.disk, ours, clusters)
		}
	}
}
