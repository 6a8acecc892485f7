package resize_test

import (
	"fmt"
	"io"
	"math/rand"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/image/imagetest/need"
	"bootgraft/layout"
	"bootgraft/layout/plan/card"
	"bootgraft/layout/volume"
	"bootgraft/layout/volume/fat"
	"bootgraft/layout/volume/fat/format"
	"bootgraft/layout/volume/fat/resize"
)

// recordings lays down a drive sold as 20 GB (39,070,080 sectors, from
// memory) with one FAT32 volume that holds about 12 GB in 2,000 recordings,
// some deleted between: a fact of the trade (common practice, no source). The
// content is sparse: only the first bytes of each recording say which it is.
func recordings(t *testing.T) (image.Source, map[string]string) {
	t.Helper()
	const sectors = 39070080 - 63
	d := imagetest.New(sectors, 512)
	v, err := format.New(d, format.Options{Sectors: sectors, Kind: fat.FAT32, SectorsPerCluster: 32, Hidden: 63, Label: "RECORDER"})
	if err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewSource(20))
	sizes := map[string]int64{}
	var gone []string
	for i := range 2600 {
		if i%100 == 0 {
			if err := v.Mkdir(fmt.Sprintf("SET%02d", i/100), format.File{}); err != nil {
				t.Fatal(err)
			}
		}
		name := fmt.Sprintf("SET%02d/TAKE%04d.WAV", i/100, i)
		n := 1<<20 + rng.Int63n(10<<20)
		if err := v.Add(name, nil, n, format.File{Fragment: []int{0, 0, 100}[i%3]}); err != nil {
			t.Fatal(err)
		}
		if sizes[name] = n; i%13 < 3 {
			gone = append(gone, name)
		}
	}
	for _, name := range gone {
		delete(sizes, name)
		if err := v.Remove(name); err != nil {
			t.Fatal(err)
		}
	}
	if err := v.Close(); err != nil {
		t.Fatal(err)
	}
	return d, mark(t, d)
}

// mark writes the name of each file into its first and its last cluster.
func mark(t *testing.T, d *imagetest.Disk) map[string]string {
	t.Helper()
	v, tab := read(t, d)
	marks := map[string]string{}
	for f := range v.NewWalk(tab, fat.WalkOptions{}).Files() {
		if f.Dir {
			continue
		}
		e := f.Extents()
		d.Put(e[0].Start, fmt.Appendf(nil, "%-64s", f.Path))
		last := e[len(e)-1]
		d.Put(last.End()-v.ClusterSectors, fmt.Appendf(nil, "%-64s", "end of "+f.Path))
		marks[f.Path] = f.Path
	}
	return marks
}

func (m marks) hold(t *testing.T, src image.Source) {
	t.Helper()
	v, tab := read(t, src)
	n := 0
	for f := range v.NewWalk(tab, fat.WalkOptions{}).Files() {
		if f.Dir {
			continue
		}
		n++
		e := f.Extents()
		for want, at := range map[string]disk.Sector{f.Path: e[0].Start, "end of " + f.Path: e[len(e)-1].End() - v.ClusterSectors} {
			b, err := image.ReadSectors(src, disk.Span{Start: at, Count: 1})
			if err != nil || string(b[:64]) != fmt.Sprintf("%-64s", want) {
				t.Fatalf("%s: %q, %v", want, b[:min(64, len(b))], err)
			}
		}
	}
	if h := v.Check(tab); n != len(m) || !h.Sound() || h.Lost > 0 {
		t.Errorf("%d files of %d, %+v", n, len(m), h)
	}
}

type marks map[string]string

// Sizes of cards: from memory, each as sold by its nominal size.
const (
	card8GB  = 15523840
	card16GB = 31116288
	card32GB = 62333952
)

func TestTwentyGigabytes(t *testing.T) {
	t.Parallel()
	src, m := recordings(t)
	v, tab := read(t, src)
	used := v.Check(tab).Used
	t.Logf("%.1f GB used of %.1f, %d files", float64(used)*float64(v.ClusterBytes())/1e9, float64(v.Sectors)*512/1e9, len(m))

	r := mustPlan(t, v, tab, volume.Wishes{Room: card32GB - 63, From: 63, Base: 63})
	if r.Changed() || r.Sectors != v.Sectors {
		t.Errorf("onto 32 GB: %+v", r)
	}
	refused := mustRefuse(t, v, tab, volume.Wishes{Room: card8GB - 63, From: 63, Base: 63}, "volume-too-small")
	t.Logf("onto 8 GB: %v", refused)

	r = mustPlan(t, v, tab, volume.Wishes{Room: card16GB - 63, From: 63, Base: 63})
	n := &counter{}
	if err := r.Emit(n); err != nil {
		t.Fatal(err)
	}
	t.Logf("onto 16 GB: %d sectors, %d clusters of %d files move, %d pieces, %d bytes made new", r.Sectors, r.MovedClusters, r.MovedFiles, n.Pieces, n.Rendered)
	if r.Sectors != card16GB-63 || r.MovedClusters == 0 {
		t.Errorf("onto 16 GB: %+v", r)
	}
	c, err := card.New(planned(t, src, r), src)
	if err != nil {
		t.Fatal(err)
	}
	copied := disk.Sector(0)
	for _, q := range planned(t, src, r).Pieces {
		if q.Op == layout.Copy {
			copied += q.Count
		}
	}
	if most := disk.Sector(used)*v.ClusterSectors + v.Data; copied > most+most/100 {
		t.Errorf("%d sectors are copied, and %d are used", copied, most)
	}
	marks(m).hold(t, image.NewWindow(c, disk.Span{Start: edge, Count: r.Sectors}))
	fsck(t, image.NewWindow(c, disk.Span{Start: edge, Count: r.Sectors}))
}

// fsck lets fsck.fat judge a volume.
func fsck(t *testing.T, src image.Source) {
	t.Helper()
	tool(t, "fsck.fat", "-n", sparse(t, src))
}

// sparse writes a sparse file without what is left as it is, and returns its path.
func sparse(t *testing.T, src image.Source) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "card.img")
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if err := f.Truncate(src.Size()); err != nil {
		t.Fatal(err)
	}
	for off := int64(0); off < src.Size(); {
		start, end := image.NextData(src, off)
		for _, s := range image.Unknown(src, image.Whole(src)).Outside(disk.Between(disk.Sector(start/512), disk.Sector((end+511)/512))) {
			part := io.NewSectionReader(src, int64(s.Start)*512, int64(s.Count)*512)
			if _, err := io.Copy(io.NewOffsetWriter(f, int64(s.Start)*512), part); err != nil {
				t.Fatal(err)
			}
		}
		off = end
	}
	return path
}

// Planning and writing a smaller volume, beside copying its files with mtools
// from it into a fresh one: the figure to look at is times-as-fast.
func BenchmarkAgainstMtools(b *testing.B) {
	rng := rand.New(rand.NewSource(3))
	m := makeVolume(b, recipe{2000000, "-F 32 -s 8", 20 << 20}, rng)
	limits := mustPlan(b, m.V, m.T, volume.Wishes{}).Limits
	size := (limits.Smallest + m.V.Sectors) / 2
	dir := b.TempDir()
	config := filepath.Join(dir, "mtoolsrc")
	var ours, theirs time.Duration
	for b.Loop() {
		start := time.Now()
		v, tab := read(b, m.Src)
		r := mustPlan(b, v, tab, volume.Wishes{Mode: volume.Shrink, Sectors: size})
		write(b, m.Src, r, filepath.Join(dir, "ours.img"))
		ours += time.Since(start)

		start = time.Now()
		fresh := mkfs(b, recipe{Sectors: int64(size), Args: "-F 32 -s 8"})
		text := fmt.Sprintf("drive x: file=%q\ndrive y: file=%q\n", m.Path, fresh)
		if err := os.WriteFile(config, []byte(text), 0o600); err != nil {
			b.Fatal(err)
		}
		cmd := exec.Command(need.Tool(b, "mcopy"), "-s", "-m", "-o", "x:/*", "y:/")
		cmd.Env = append(os.Environ(), "MTOOLS_SKIP_CHECK=1", "LC_ALL=C.UTF-8", "MTOOLSRC="+config)
		if out, err := cmd.CombinedOutput(); err != nil {
			b.Fatalf("mcopy: %v\n%s", err, out)
		}
		theirs += time.Since(start)
	}
	b.ReportMetric(float64(theirs)/float64(ours), "times-as-fast")
}

// write writes a planned volume into a file, in its order.
func write(t testing.TB, src image.Source, r *resize.Result, path string) {
	t.Helper()
	p := planned(t, src, r)
	c, err := card.New(p, src)
	if err != nil {
		t.Fatal(err)
	}
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if err := f.Truncate(int64(r.Sectors) * 512); err != nil {
		t.Fatal(err)
	}
	buf := make([]byte, 1<<20)
	for _, q := range p.Pieces {
		if q.Op == layout.Leave || q.Op == layout.Zero {
			continue
		}
		for off := int64(q.Start) * 512; off < int64(q.End())*512; off += int64(len(buf)) {
			b := buf[:min(int64(len(buf)), int64(q.End())*512-off)]
			if err := image.ReadFull(c, b, off); err != nil {
				t.Fatal(err)
			}
			if _, err := f.WriteAt(b, off-edge*512); err != nil {
				t.Fatal(err)
			}
		}
	}
}
