package second

import (
	"bytes"
	"context"
	"encoding/binary"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/image/imagetest/need"
	"bootgraft/layout"
	"bootgraft/layout/scan"
	"bootgraft/layout/volume/fat"
	"bootgraft/layout/volume/fat/format"
)

var (
	small12 = format.Options{Sectors: 2880, SectorsPerCluster: 1, Label: "SONGS"}
	small16 = format.Options{Sectors: 20000, Kind: fat.FAT16, SectorsPerCluster: 4, Label: "SONGS"}
	small32 = format.Options{Sectors: 70000, Kind: fat.FAT32, SectorsPerCluster: 1, Label: "SONGS"}
)

// specimen is a small volume with files that are whole, empty, long-named,
// deep, in pieces.
type specimen struct {
	*imagetest.Disk
	t *testing.T
}

func newSpecimen(t *testing.T, o format.Options) *specimen {
	t.Helper()
	d := imagetest.New(disk.Sector(o.Sectors), max(512, o.BytesPerSector))
	v, err := format.New(d, o)
	if err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(1, 2))
	for _, p := range []struct {
		path string
		size int
	}{
		{"A.BIN", 5000}, {"B.BIN", 12345}, {"EMPTY", 0}, {"DIR/", 0}, {"DIR/C.BIN", 700}, {"DIR/Sub of a long name/", 0},
		{"DIR/Sub of a long name/D.BIN", 2048}, {"A name that is longer than one part.bin", 1}, {"Übung – drums.wav", 4097},
	} {
		if dir, ok := strings.CutSuffix(p.path, "/"); ok {
			err = v.Mkdir(dir, format.File{})
		} else {
			b := make([]byte, p.size)
			for i := range b {
				b[i] = byte(rng.Uint32())
			}
			err = v.Add(p.path, bytes.NewReader(b), int64(p.size), format.File{})
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	if err := v.Close(); err != nil {
		t.Fatal(err)
	}
	return &specimen{d, t}
}

func (s *specimen) volume() *fat.Volume {
	s.t.Helper()
	v, err := fat.Read(s)
	if err != nil {
		s.t.Fatal(err)
	}
	return v
}

// file returns our entry of a path.
func (s *specimen) file(path string) fat.File {
	s.t.Helper()
	v := s.volume()
	table, err := v.LoadTable(0)
	if err != nil {
		s.t.Fatal(err)
	}
	for f := range v.NewWalk(table, fat.WalkOptions{}).Files() {
		if f.Path == path {
			return *f
		}
	}
	s.t.Fatalf("no file %s", path)
	return fat.File{}
}

// at returns the byte of the volume where a directory entry begins.
func (s *specimen) at(p fat.Slot) int64 {
	return int64(p.Sector)*int64(s.SectorSize()) + int64(p.Offset)
}

func (s *specimen) poke(at int64, b ...byte) {
	s.t.Helper()
	if _, err := s.WriteAt(b, at); err != nil {
		s.t.Fatal(err)
	}
}

// link sets the entry of a cluster in the given copies of a FAT16 or FAT32 table.
func (s *specimen) link(cluster, value uint32, copies ...int) {
	v := s.volume()
	for _, i := range copies {
		at := int64(v.TableSpan(i).Start) * int64(s.SectorSize())
		if v.Kind == fat.FAT16 {
			s.poke(at+2*int64(cluster), binary.LittleEndian.AppendUint16(nil, uint16(value))...)
		} else {
			s.poke(at+4*int64(cluster), binary.LittleEndian.AppendUint32(nil, value)...)
		}
	}
}

// survey surveys a disk and fails the test if it cannot.
func survey(t testing.TB, src image.Source) *layout.Map {
	t.Helper()
	s, err := scan.Run(context.Background(), src, scan.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// ask asks about one bare volume, contents included.
func ask(t testing.TB, src image.Source) Opinion {
	t.Helper()
	s := survey(t, src)
	if len(s.Volumes) != 1 || !strings.HasPrefix(s.Volumes[0].Kind, "fat") {
		t.Fatalf("%d volumes, table %s", len(s.Volumes), s.Table)
	}
	all, err := Ask(t.Context(), src, s, Options{Contents: true})
	if err != nil || len(all) != 1 {
		t.Fatal(all, err)
	}
	return all[0]
}

// altered is a source that shows another byte at one place.
type altered struct {
	image.Source
	at int64
	b  byte
}

func (a *altered) ReadAt(p []byte, off int64) (int, error) {
	n, err := a.Source.ReadAt(p, off)
	if i := a.at - off; i >= 0 && i < int64(n) {
		p[i] = a.b
	}
	return n, err
}

// broken fails every read that touches one byte.
type broken struct {
	image.Source
	at int64
}

func (b *broken) ReadAt(p []byte, off int64) (int, error) {
	if b.at >= off && b.at < off+int64(len(p)) {
		return 0, fmt.Errorf("the drive cannot read byte %d", b.at)
	}
	return b.Source.ReadAt(p, off)
}

// run runs a program and returns what it says.
func run(t testing.TB, name string, args ...string) string {
	t.Helper()
	cmd := exec.Command(need.Tool(t, name), args...)
	cmd.Env = append(os.Environ(), "MTOOLS_SKIP_CHECK=1", "LC_ALL=C.UTF-8", "MTOOLSRC=/dev/null")
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("%s %s: %v\n%s", name, strings.Join(args, " "), err, out)
	}
	return string(out)
}

// made makes a volume with mkfs.fat (dosfstools) and fills it with mtools:
// some files deleted and their room used again, so that later ones lie in
// pieces.
func made(t testing.TB, sectors int64, args string) (image.Source, int) {
	t.Helper()
	dir := t.TempDir()
	path := filepath.Join(dir, "volume.img")
	if err := os.WriteFile(path, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(path, sectors*512); err != nil {
		t.Fatal(err)
	}
	run(t, "mkfs.fat", append(strings.Fields(args), "-i", "c0ffee01", "-n", "OLD SONGS", path)...)
	run(t, "mmd", "-i", path, "::/SONGS", "::/Summer session", "::/Summer session/deep")
	rng := rand.New(rand.NewPCG(uint64(sectors), 7))
	left := 0
	for i, to := range []string{"::/", "::/SONGS/", "::/Summer session/deep/", "::/SONGS/"} {
		var names, gone []string
		for k, form := range []string{"TRACK%d.WAV", "Recording number %d, second take.wav", "low%d.txt", "Übung %d – drums.wav", "two.dots.%d.x", "CUT%d.DAT"} {
			name := filepath.Join(dir, fmt.Sprintf(form, 10*i+k))
			b := make([]byte, min(rng.IntN(int(sectors*512/80)), 300_000))
			for j := range b {
				b[j] = byte(rng.Uint32())
			}
			if k == 4 {
				b = nil
			}
			if err := os.WriteFile(name, b, 0o600); err != nil {
				t.Fatal(err)
			}
			names = append(names, name)
			left++
			if k%3 == 2 && i < 2 {
				gone = append(gone, to+filepath.Base(name))
				left--
			}
		}
		run(t, "mcopy", append(append([]string{"-m", "-i", path}, names...), to)...)
		if gone != nil {
			run(t, "mdel", append([]string{"-i", path}, gone...)...)
		}
	}
	f, err := image.Open(path, 512)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close() })
	return f, left + 3
}
