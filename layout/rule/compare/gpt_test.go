package compare

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/image/imagetest/need"
	"bootgraft/layout"
	"bootgraft/layout/rule/candidate"
)

// sfdiskDisk is a GPT disk of n sectors with one entry, made by sfdisk of
// util-linux on an empty file.
func sfdiskDisk(t *testing.T, n disk.Sector, unit int) image.Source {
	t.Helper()
	name := filepath.Join(t.TempDir(), fmt.Sprintf("gpt%d.img", unit))
	f, err := os.Create(name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if err := f.Truncate(int64(n) * 512); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(need.Tool(t, "sfdisk"), "-q", name)
	cmd.Stdin = strings.NewReader(fmt.Sprintf("label: gpt\nlabel-id: 00112233-4455-6677-8899-AABBCCDD%04X\nstart=2048, "+
		"size=%d, uuid=01234567-89AB-CDEF-0123-456789AB%04X, name=MUSIC\n", 1000+unit*77, 30000, 2000+unit*91))
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("sfdisk: %v\n%s", err, out)
	}
	src, err := image.Open(name, 512)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { src.Close() })
	return src
}

// TestGPTIsRediscovered: without knowing the format, four disks made by sfdisk
// give the rules of it. EFI 1.10, table 11-1: alternate LBA = last sector,
// last usable before the second array and header, header CRC-32 over 92 bytes
// with its own as zeros, array CRC-32 over 128 entries of 128 bytes.
func TestGPTIsRediscovered(t *testing.T) {
	sizes := []disk.Sector{100_000, 123_457, 1_008 * 200, 399_999, 399_999}
	var dumps []Dump
	for i, n := range sizes {
		dumps = append(dumps, Dump{Name: fmt.Sprint(n), Source: sfdiskDisk(t, n, i)})
	}
	c, err := Run(context.Background(), dumps, Options{Head: 2048, Tail: 2048})
	if err != nil {
		t.Fatal(err)
	}
	const card = 777_776
	for _, want := range []struct {
		place candidate.Place
		value uint64
		what  string
	}{
		{candidate.Place{From: layout.FromStart, Sector: 0, Byte: 0x1CA}, card - 1, "size in the protective MBR"},
		{candidate.Place{From: layout.FromStart, Sector: 1, Byte: 32}, card - 1, "alternate LBA"},
		{candidate.Place{From: layout.FromStart, Sector: 1, Byte: 48}, card - 34, "last usable"},
		{candidate.Place{From: layout.FromEnd, Sector: 1, Byte: 24}, card - 1, "LBA of the second header"},
		{candidate.Place{From: layout.FromEnd, Sector: 1, Byte: 72}, card - 33, "entry array of the second copy"},
	} {
		if !gptField(t, c, want.place, card, want.value) {
			t.Errorf("%s was not proved at %s", want.what, want.place)
		}
	}
	for _, want := range []struct {
		place, start candidate.Place
		count        int64
	}{
		{candidate.Place{From: layout.FromStart, Sector: 1, Byte: 16},
			candidate.Place{From: layout.FromStart, Sector: 1, Byte: 0}, 92},
		{candidate.Place{From: layout.FromStart, Sector: 1, Byte: 88},
			candidate.Place{From: layout.FromStart, Sector: 2, Byte: 0}, 16384},
		{candidate.Place{From: layout.FromEnd, Sector: 1, Byte: 16},
			candidate.Place{From: layout.FromEnd, Sector: 1, Byte: 0}, 92},
	} {
		if !gptCheck(c, want.place, want.start, want.count) {
			t.Errorf("the CRC-32 at %s was not proved", want.place)
		}
	}
	// The array CRC-32 of the second header repeats that of the first.
	if !repeatsCheck(c, candidate.Place{From: layout.FromEnd, Sector: 1, Byte: 88}) &&
		!gptCheck(c, candidate.Place{From: layout.FromEnd, Sector: 1, Byte: 88},
			candidate.Place{From: layout.FromEnd, Sector: 33, Byte: 0}, 16384) {
		t.Error("the CRC-32 of the second array was not proved")
	}
	gptCard(t, c, dumps[0].Source, sfdiskDisk(t, card, 0))
}

// repeatsCheck tells whether a place is a copy of a proved checksum.
func repeatsCheck(c *Comparison, p candidate.Place) bool {
	for i := range c.Copies {
		for x := range c.Copies[i].Count {
			of, to := c.Copies[i].Pair(x)
			of.Byte = p.Byte
			if to == p.SectorStart() && !c.Copies[i].owned(x, c.SectorSize)[p.Byte] &&
				slices.ContainsFunc(c.Checks, func(k Check) bool { return k.Place == of && k.State() == Proved }) {
				return true
			}
		}
	}
	return false
}

// gptField tells whether a number is proved, or is part of a copy.
func gptField(t *testing.T, c *Comparison, p candidate.Place, n disk.Sector, want uint64) bool {
	t.Helper()
	for i := range c.Fields {
		if c.Fields[i].Place == p {
			a, err := c.Answer(&c.Fields[i], n)
			if err != nil {
				t.Fatal(err)
			}
			return a.State == Proved && a.Value == want
		}
	}
	return false
}

func gptCheck(c *Comparison, p, start candidate.Place, count int64) bool {
	for _, k := range c.Checks {
		w := k.Ways[0]
		if k.Place == p && k.Bits >= bar && w.Sum == "crc32-ieee" && w.Start == start && w.Count == count {
			return true
		}
	}
	return false
}

// gptCard applies the rules to a source. The card must be what sfdisk makes of
// one of that size, byte for byte, and sfdisk must find nothing wrong with it.
func gptCard(t *testing.T, c *Comparison, src, want image.Source) {
	t.Helper()
	n := image.Sectors(want)
	out, err := Apply(&c.Rules, src, n)
	if err != nil {
		t.Fatal(err)
	}
	for _, u := range out.Undecided {
		t.Errorf("not decided: %s", u.Text)
	}
	for _, f := range out.Findings {
		if f.Severity != disk.Note {
			t.Errorf("%s: %s", f.Code, f.Text)
		}
	}
	d := card(t, &c.Rules, src, n, out)
	for _, span := range []disk.Span{{Start: 0, Count: c.Head}, {Start: n - c.Tail, Count: c.Tail}} {
		for x := span.Start; x < span.End(); x++ {
			made, err := image.ReadSectors(d, disk.Span{Start: x, Count: 1})
			if err != nil {
				t.Fatal(err)
			}
			its, err := image.ReadSectors(want, disk.Span{Start: x, Count: 1})
			if err != nil {
				t.Fatal(err)
			}
			if !bytes.Equal(made, its) {
				t.Errorf("sector %d is not as sfdisk makes it:\n% x\n% x", x, made[:96], its[:96])
			}
		}
	}
	said, err := exec.Command(need.Tool(t, "sfdisk"), "--verify", imagetest.Save(t, d)).CombinedOutput()
	if err != nil || !strings.Contains(string(said), "No errors detected") {
		t.Errorf("sfdisk --verify: %v\n%s", err, said)
	}
}
