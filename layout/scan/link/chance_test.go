package link

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/image/imagetest/need"
	"bootgraft/layout"
)

// gapAndFiles is a search of a disk of 20 GB: a gap of random bytes, and files that
// begin at random clusters.
func gapAndFiles(seed uint64, gap disk.Sector, files int, packed bool) *searcher {
	const sectors = 40_000_000
	r := rand.New(rand.NewPCG(seed, 1))
	d := imagetest.New(sectors, 512)
	b := make([]byte, int(gap)*512)
	for i := range b {
		b[i] = byte(r.Uint32())
		if !packed && r.IntN(3) == 0 { // code has many zeros, and many small bytes
			b[i] = byte(r.IntN(4))
		}
	}
	d.Put(1, b)
	m := &layout.Map{
		Sectors: sectors, SectorSize: 512, Table: "mbr",
		Regions: []layout.Region{{Span: disk.Span{Start: 1, Count: gap}, Role: layout.RoleGap, Name: "gap",
			Content: layout.Content{Looked: true, NonBlank: gap}}},
		Entries: []layout.Entry{{Index: 1, Span: disk.Span{Start: 4096, Count: sectors - 4096}}},
	}
	s := &searcher{ctx: context.Background(), src: d, m: m, size: 512, known: map[int64]int{}}
	seen := map[disk.Sector]bool{}
	for i := range files {
		at := disk.Sector(4096 + 16*r.IntN((sectors-4200)/16))
		if seen[at] {
			continue
		}
		seen[at] = true
		n := disk.Sector(1 + r.IntN(4000))
		s.list = append(s.list, Place{Span: disk.Span{Start: at, Count: n}, Kind: File, Name: fmt.Sprintf("file %d", i),
			Volume: 1, Path: fmt.Sprint(i), Bytes: int64(n) * 512, Clusters: 16})
	}
	slices.SortFunc(s.list, func(a, b Place) int { return int(a.Start - b.Start) })
	return s
}

// TestChanceMakesFewLinks: a gap of 1 MiB of random bytes, and of bytes like code, with
// 10,000 files: what is found is chance, and no more than was expected.
func TestChanceMakesFewLinks(t *testing.T) {
	links, expected, holders := 0, 0.0, 0
	for _, seed := range need.Seeds(4, 40) {
		for _, packed := range []bool{true, false} {
			s := gapAndFiles(uint64(seed), 2048, 10_000, packed)
			if err := s.run(); err != nil {
				t.Fatal(err)
			}
			if n := len(s.out.Links); n > 2 {
				t.Errorf("seed %d: %d links by chance", seed, n)
			}
			links, expected, holders = links+len(s.out.Links), expected+s.out.Spent, holders+len(s.out.Holders)
		}
	}
	t.Logf("%d links by chance in %d holders; of each %.3g were expected", links, holders, expected)
}

// TestCodeOfSector0NeedsNoSecondEvidence: with 10,000 files on 20 GB a 32-bit number in
// sector 0 is a link in each of the four orders, or hardly ever a weak one, where the code
// happens to have many numbers of its size; and random code is none.
func TestCodeOfSector0NeedsNoSecondEvidence(t *testing.T) {
	chance, weak, disks := 0, 0, 0
	for _, seed := range need.Seeds(8, 100) {
		disks++
		s := gapAndFiles(uint64(seed), 1, 10_000, false)
		b := make([]byte, 512)
		r := rand.New(rand.NewPCG(uint64(seed), 2))
		for i := range 440 {
			if b[i] = byte(r.Uint32()); r.IntN(4) == 0 {
				b[i] = byte(r.IntN(4))
			}
		}
		named := s.list[len(s.list)/2].Start
		binary.BigEndian.PutUint32(b[0x100:], uint32(named))
		s.src.(*imagetest.Disk).Put(0, b)
		if err := s.run(); err != nil {
			t.Fatal(err)
		}
		is := func(l Link) bool { return l.At == 0 && l.Byte == 0x100 && l.Target.Start == named }
		found := slices.ContainsFunc(s.out.Links, is)
		if !found && slices.ContainsFunc(s.out.Weak, is) { // told all the same
			weak, found = weak+1, true
		}
		for _, l := range s.out.Links {
			if l.At != 0 || l.Byte+l.Width <= 0x100 || l.Byte >= 0x104 {
				chance++
			}
		}
		if !found {
			t.Errorf("seed %d: not found", seed)
		}
	}
	t.Logf("%d links by chance in %d disks, %d numbers are weak", chance, disks, weak)
	if chance > disks || weak*10 > disks {
		t.Errorf("%d links by chance in %d disks, %d numbers are weak", chance, disks, weak)
	}
}

// BenchmarkGap searches a gap of 1 MiB with 10,000 files; the bound that it is held to
// is 100 ms. The plain tool beside it, grep -F, looks in the same bytes for the same files
// in one way of the about 200 in which a number is read: 32 bits, lowest byte first, in
// sectors.
func BenchmarkGap(b *testing.B) {
	grep := need.Tool(b, "grep")
	for name, packed := range map[string]bool{"random": true, "code": false} {
		b.Run(name, func(b *testing.B) {
			gap, patterns := plainGap(b, packed)
			var ours, plain time.Duration
			for range b.N {
				b.StopTimer()
				s := gapAndFiles(1, 2048, 10_000, packed)
				t := time.Now()
				if out, err := grepAll(grep, patterns, gap); err != nil {
					b.Fatalf("grep: %v: %s", err, out)
				}
				plain += time.Since(t)
				b.StartTimer()
				t = time.Now()
				if err := s.run(); err != nil {
					b.Fatal(err)
				}
				ours += time.Since(t)
			}
			b.ReportMetric(float64(ours)/float64(plain), "times-grep")
		})
	}
}

// plainGap writes the gap of a search, and the numbers of its files, for grep.
func plainGap(b *testing.B, packed bool) (gap, patterns string) {
	b.Helper()
	s := gapAndFiles(1, 2048, 10_000, packed)
	code, err := image.ReadSectors(s.src, disk.Span{Start: 1, Count: 2048})
	if err != nil {
		b.Fatal(err)
	}
	var numbers []byte
	for _, p := range s.list {
		if n := binary.LittleEndian.AppendUint32(nil, uint32(p.Start)); !bytes.ContainsRune(n, '\n') {
			numbers = append(append(numbers, n...), '\n')
		}
	}
	gap, patterns = filepath.Join(b.TempDir(), "gap"), filepath.Join(b.TempDir(), "numbers")
	if err := errors.Join(os.WriteFile(gap, code, 0o600), os.WriteFile(patterns, numbers, 0o600)); err != nil {
		b.Fatal(err)
	}
	return gap, patterns
}

// grepAll lets grep find every place of the patterns; that there is none is no error.
func grepAll(grep, patterns, gap string) ([]byte, error) {
	c := exec.Command(grep, "-Fabo", "-f", patterns, gap)
	c.Env = append(os.Environ(), "LC_ALL=C")
	out, err := c.CombinedOutput()
	var ended *exec.ExitError
	if errors.As(err, &ended) && ended.ExitCode() == 1 {
		err = nil
	}
	return out, err
}

// FuzzFind: whatever the bytes of sector 0, a gap and a boot sector, a search ends, and
// every link lies where its holder says, names a place and is below the bar.
func FuzzFind(f *testing.F) {
	f.Add([]byte("GRUB \x00Geom\x00Hard Disk\x00Read\x00 Error"), []byte{1, 0, 0, 0}, uint16(0x5C))
	f.Add([]byte{0xB9, 1, 0, 0xBA, 0x80, 1}, []byte{0xFE, 2, 0xB2, 0x3E}, uint16(0))
	f.Fuzz(func(t *testing.T, zero, gap []byte, at uint16) {
		s := gapAndFiles(3, 4, 200, true)
		d := s.src.(*imagetest.Disk)
		zero = zero[:min(len(zero), 440-int(at%440))]
		_, _ = d.WriteAt(zero, int64(at%440))
		_, _ = d.WriteAt([]byte(grubSays), 0x180)
		_, _ = d.WriteAt([]byte{0x55, 0xAA}, 510)
		_, _ = d.WriteAt(gap[:min(len(gap), 2048)], 512)
		s.heads, s.track = 16, 63
		if err := s.run(); err != nil {
			t.Fatal(err)
		}
		for _, l := range s.out.Links {
			if l.Byte < 0 || l.Byte >= 512 || l.ByChance > bar || l.Lost == "" && (l.Target.Count <= 0 || l.Target.Start < 0) {
				t.Fatalf("%+v", l)
			}
		}
	})
}
