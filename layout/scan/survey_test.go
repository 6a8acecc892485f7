package scan

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/image/imagetest/need"
	"bootgraft/layout"
	"bootgraft/layout/layouttest/disks"
)

func survey(t testing.TB, src image.Source) *layout.Map {
	t.Helper()
	s, err := Run(context.Background(), src, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if err := checkSurvey(s, src); err != nil {
		t.Fatal(err)
	}
	return s
}

// checkSurvey tells what is wrong with a survey, whatever the disk: regions do
// not tile it, or say of their content what is not so, or a finding is empty.
func checkSurvey(s *layout.Map, src image.Source) error {
	if err := disk.CheckTiles(image.Sectors(src), s.Regions); err != nil {
		return err
	}
	for _, r := range s.Regions {
		if r.Name == "" || len(r.Evidence) == 0 {
			return fmt.Errorf("region %s (%s) has the name %q and evidence %q", r.Span, r.Role, r.Name, r.Evidence)
		}
		if err := checkContent(src, r); err != nil {
			return fmt.Errorf("region %s (%s): %w", r.Span, r.Name, err)
		}
	}
	for _, v := range s.Volumes {
		if v.Index != 0 && s.Entry(v.Index) == nil && s.Table != "conflict" {
			return fmt.Errorf("volume %d is in no entry", v.Index)
		}
	}
	return imagetest.CheckFindings(s.Findings)
}

// checkContent reads a region again in the plainest way.
func checkContent(src image.Source, r layout.Region) error {
	c := r.Content
	if !c.Looked || r.Count > 40000 || len(image.Unknown(src, r.Span)) > 0 {
		return nil
	}
	b, err := image.ReadSectors(src, r.Span)
	if err != nil {
		return err
	}
	n := src.SectorSize()
	var want layout.Content
	fills := map[byte]bool{}
	for x := r.Start; x < r.End(); x++ {
		sector := b[int(x-r.Start)*n:][:n]
		if bytes.Count(sector, []byte{0}) == n || bytes.Count(sector, []byte{0xFF}) == n {
			fills[sector[0]] = true
			continue
		}
		if want.NonBlank++; want.NonBlank == 1 {
			want.First = x
		}
		want.Last = x
	}
	blank := want.NonBlank == 0 && len(fills) == 1
	sum := sha256.Sum256(b)
	switch {
	case c.NonBlank != want.NonBlank, want.NonBlank > 0 && (c.First != want.First || c.Last != want.Last):
		return fmt.Errorf("%d sectors from %d to %d said to be in use, but they are %d from %d to %d", c.NonBlank, c.First, c.Last, want.NonBlank, want.First, want.Last)
	case c.Blank != blank, blank && !fills[c.Fill]:
		return fmt.Errorf("blank %v with %02X, but it is %v with %v", c.Blank, c.Fill, blank, fills)
	case !blank && c.SHA256 != hex.EncodeToString(sum[:]), blank && c.SHA256 != "":
		return fmt.Errorf("SHA-256 %q", c.SHA256)
	}
	return nil
}

func TestRegionsTileRandomDisks(t *testing.T) {
	tails := 0
	for _, seed := range need.Seeds(40, 1000) {
		d := disks.NewRandom(seed)
		s := survey(t, d)
		if s.Table != d.Table {
			t.Errorf("seed %d: table %s in %s", seed, s.Table, d)
		}
		if d.Table == "none" {
			continue
		}
		var tail disk.Span
		for _, r := range s.Regions {
			if r.Role == layout.RoleTail {
				tail = r.Span
			}
		}
		if tail != d.Tail {
			t.Errorf("seed %d: tail %s, put at %s in %s", seed, tail, d.Tail, d)
		}
		if !tail.Empty() {
			tails++
		}
		codes := imagetest.Codes(s.Findings)
		for _, code := range codes {
			switch code {
			case "stale-gpt", "claims-conflict", "hidden-sectors-differ", "fat-type-boundary":
			default:
				t.Errorf("seed %d: %s in %s", seed, code, d)
			}
		}
	}
	if tails == 0 {
		t.Error("no disk had a tail")
	}
}

// Whatever bytes change, and wherever they are unknown, the survey describes
// the whole disk.
func TestRegionsTileMutatedDisks(t *testing.T) {
	for _, seed := range need.Seeds(40, 1000) {
		r := rand.New(rand.NewPCG(uint64(seed), 9))
		d := disks.NewRandom(seed)
		for range 1 + r.IntN(30) {
			at := r.Int64N(d.Size())
			if r.IntN(2) == 0 {
				at = r.Int64N(40 * 512)
			}
			if _, err := d.WriteAt([]byte{byte(r.Uint32())}, at); err != nil {
				t.Fatal(err)
			}
		}
		survey(t, d)
		var lost disk.Spans
		for range r.IntN(6) {
			lost = lost.Union(disk.NewSpans(disk.Span{Start: disk.Sector(r.IntN(200)), Count: disk.Sector(1 + r.IntN(9))}))
		}
		survey(t, image.NewKnown(d, lost, nil))
	}
}

// realTables are disks with a real table of every kind.
func realTables(t testing.TB) map[string]*imagetest.Disk {
	t.Helper()
	out := map[string]*imagetest.Disk{}
	for _, name := range []string{
		"mbr/chain.txt", "mbr/drdos.txt", "gpt/music.txt", "gpt/songs4k.txt", "apple/three.txt", "apple/blocks2048.txt",
		"bsd/fdisk.txt", "sun/sfdisk.txt", "amiga/two.txt", "amiga/blocks1024.txt", "atari/simple.txt", "atari/chain.txt", "atari/icd.txt",
		"ext/ext2.txt", "ext/ext4.txt", "volume/iso9660.txt", "volume/ntfs.txt", "volume/exfat.txt", "volume/squashfs.txt", "volume/swap.txt", "volume/hfs.txt",
		"fat/fat12.txt", "fat/fat16.txt", "fat/fat32.txt",
	} {
		out[name] = imagetest.Load(t, filepath.Join("..", "..", "testdata", name))
	}
	return out
}

// Each real table and each real volume is what the survey names.
func TestSurveyNamesRealTables(t *testing.T) {
	want := map[string]string{
		"mbr": "mbr", "gpt": "gpt", "apple": "apple", "bsd": "bsd", "sun": "sun", "amiga": "amiga", "atari": "atari",
		"ext": "none", "volume": "none", "fat": "none",
	}
	for name, d := range realTables(t) {
		t.Run(name, func(t *testing.T) {
			s := survey(t, d)
			if kind := filepath.Dir(name); s.Table != want[kind] {
				t.Errorf("table %q, want %q; %v", s.Table, want[kind], s.Findings)
			} else if kind != s.Table && (len(s.Volumes) != 1 || s.Volumes[0].Index != 0) {
				t.Errorf("volumes %+v", s.Volumes)
			}
		})
	}
}

// head returns the first bytes of a disk, without the blank that follows.
func head(t testing.TB, d image.Source) []byte {
	return bytes.TrimRight(imagetest.Head(t, d, 40<<10), "\x00")
}

func FuzzSurvey(f *testing.F) {
	for _, d := range realTables(f) {
		f.Add(head(f, d), uint32(image.Sectors(d)), byte(d.SectorSize()/512), uint16(0))
	}
	for seed := range int64(8) {
		d := disks.NewRandom(seed)
		f.Add(head(f, d), uint32(d.Sectors), byte(1), uint16(seed*7))
	}
	f.Fuzz(func(t *testing.T, head []byte, sectors uint32, per byte, lost uint16) {
		size := 512
		for size < 4096 && per > 1 {
			size, per = size*2, per/2
		}
		d := imagetest.Headed(head, disk.Sector(1+sectors%(1<<17)), size)
		var src image.Source = d
		if lost > 0 {
			src = image.NewKnown(d, disk.Spans{{Start: disk.Sector(lost % 64), Count: 1}}, nil)
		}
		s, err := Run(context.Background(), src, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if err := checkSurvey(s, src); err != nil {
			t.Fatal(err)
		}
	})
}
