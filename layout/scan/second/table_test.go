package second

import (
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/image/imagetest/need"
)

// partitioned makes a disk of 64 MiB with sfdisk (util-linux).
func partitioned(t *testing.T, script string) *imagetest.Disk {
	t.Helper()
	path := filepath.Join(t.TempDir(), "disk.img")
	if err := os.WriteFile(path, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(path, 64<<20); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(need.Tool(t, "sfdisk"), "-q", path)
	cmd.Stdin = strings.NewReader(script)
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("sfdisk: %v\n%s", err, out)
	}
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return imagetest.NewBytes(b, 512)
}

const (
	threePrimaries = "label: dos\nlabel-id: 0x1d2c3b4a\n2048,8192,c,*\n12288,4096,83\n20480,,6\n"
	withLogicals   = "label: dos\n2048,8192,c\n12288,,5\n14336,4096,6\n20480,4096,83\n"
	threeEntries   = "label: gpt\nfirst-lba: 2048\nstart=2048, size=8192, type=U, name=\"boot\"\nstart=12288, size=4096, type=L, name=\"Sängerfest\"\nstart=20480, type=L\n"
)

func tableOf(t *testing.T, src image.Source) Opinion {
	t.Helper()
	s := survey(t, src)
	if s.Table == "none" {
		t.Fatal("no table is in force")
	}
	return table(src, src, s)
}

func TestTablesAgree(t *testing.T) {
	for script, want := range map[string]int{threePrimaries: 4, threeEntries: 3} {
		if o := tableOf(t, partitioned(t, script)); o.Verdict != Agrees || o.Compared.Entries != want {
			t.Errorf("%+v, want agreement on %d entries", o, want)
		}
	}
	if o := tableOf(t, newGPT(gptForm{sectorSize: 4096})); o.Verdict != Agrees || o.Compared.Entries != 2 {
		t.Errorf("sectors of 4096 bytes: %+v", o)
	}
}

// gptForm says how a GPT departs from the usual form; all within the EFI
// Specification 1.10, chapter 11.
type gptForm struct {
	sectorSize, entrySize, headerSize int
	revision, reserved                uint32
}

// newGPT makes a disk of 16 MiB with a protective record and both copies.
func newGPT(f gptForm) *imagetest.Disk {
	f.sectorSize, f.entrySize, f.headerSize = max(f.sectorSize, 512), max(f.entrySize, 128), max(f.headerSize, 92)
	if f.revision == 0 {
		f.revision = 0x00010000
	}
	n := 16 << 20 / f.sectorSize
	d := imagetest.New(disk.Sector(n), f.sectorSize)
	le := binary.LittleEndian
	boot := make([]byte, 512)
	boot[446+4], boot[510], boot[511] = 0xEE, 0x55, 0xAA
	le.PutUint32(boot[446+8:], 1)
	le.PutUint32(boot[446+12:], uint32(n-1))
	d.Put(0, boot)
	array := make([]byte, 128*f.entrySize)
	for i := range 2 {
		e := array[i*f.entrySize:]
		copy(e, "\xaf\x3d\xc6\x0f\x83\x84\x72\x47\x8e\x79\x3d\x69\xd8\x47\x7d\xe4")
		e[16] = byte(i + 1)
		le.PutUint64(e[32:], uint64(n/4*(i+1)))
		le.PutUint64(e[40:], uint64(n/4*(i+1)+99))
	}
	arraySectors := len(array) / f.sectorSize
	for _, c := range []struct{ at, other, array int }{{1, n - 1, 2}, {n - 1, 1, n - 1 - arraySectors}} {
		h := make([]byte, f.sectorSize)
		copy(h, "EFI PART")
		le.PutUint32(h[8:], f.revision)
		le.PutUint32(h[12:], uint32(f.headerSize))
		le.PutUint32(h[20:], f.reserved)
		for i, v := range []int{c.at, c.other, 2 + arraySectors, n - 2 - arraySectors} {
			le.PutUint64(h[24+8*i:], uint64(v))
		}
		h[56] = 0x77
		le.PutUint64(h[72:], uint64(c.array))
		le.PutUint32(h[80:], 128)
		le.PutUint32(h[84:], uint32(f.entrySize))
		le.PutUint32(h[88:], crc32.ChecksumIEEE(array))
		le.PutUint32(h[16:], crc32.ChecksumIEEE(h[:f.headerSize]))
		d.Put(disk.Sector(c.at), h)
		d.Put(disk.Sector(c.array), array)
	}
	return d
}

// Every kind of table that go-diskfs v1.9.4 is known to read in part, wrongly
// or not at all.
func TestTablesCannot(t *testing.T) {
	hybrid := partitioned(t, threeEntries)
	hybrid.Put(0, hybridBoot())
	first := newGPT(gptForm{})
	first.Put(1, make([]byte, 512))
	text, err := os.Open("../../../testdata/apple/three.txt")
	if err != nil {
		t.Fatal(err)
	}
	defer text.Close()
	apple, err := imagetest.Parse(text)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name string
		src  image.Source
		why  string
	}{
		{"an Apple partition map", apple, "mbr and gpt only"},
		{"logical volumes", partitioned(t, withLogicals), "extended partitions"},
		{"hybrid", hybrid, "record"},
		{"entries of 256 bytes", newGPT(gptForm{entrySize: 256}), "entries of 128 bytes only"},
		{"header of 96 bytes", newGPT(gptForm{headerSize: 96}), "headers of 92 bytes only"},
		{"revision 1.2", newGPT(gptForm{revision: 0x00010002}), "revision 1.0 only"},
		{"reserved bytes", newGPT(gptForm{reserved: 1}), "reserved bytes"},
		{"second copy alone", first, "first copy is not valid"},
		{"sector 0 unknown", image.NewKnown(newGPT(gptForm{}), disk.Spans{{Count: 1}}, nil), "sectors 0+1"},
		{"sector 1 unknown", image.NewKnown(newGPT(gptForm{}), disk.Spans{{Start: 1, Count: 1}}, nil), "first copy is not valid"},
	} {
		t.Run(c.name, func(t *testing.T) {
			if o := tableOf(t, c.src); o.Verdict != Cannot || !strings.Contains(o.Why, c.why) {
				t.Errorf("%+v, want cannot: %s", o, c.why)
			}
		})
	}
}

// hybridBoot is a boot record with an EE record and one of its own.
func hybridBoot() []byte {
	b := make([]byte, 512)
	for i, r := range []struct {
		kind         byte
		start, count uint32
	}{{0xEE, 1, 2047}, {0x0C, 2048, 8192}} {
		at := 446 + 16*i
		b[at+4] = r.kind
		binary.LittleEndian.PutUint32(b[at+8:], r.start)
		binary.LittleEndian.PutUint32(b[at+12:], r.count)
	}
	b[510], b[511] = 0x55, 0xAA
	return b
}

// Without a table in force there is nothing to ask: no boot record at all, or
// one with a boot flag that our reader refuses.
func TestNoTable(t *testing.T) {
	flagged := partitioned(t, threePrimaries)
	b := make([]byte, 512)
	if _, err := flagged.ReadAt(b, 0); err != nil {
		t.Fatal(err)
	}
	b[446] = 0x81
	flagged.Put(0, b)
	for i, src := range []image.Source{imagetest.New(5000, 512), flagged} {
		s := survey(t, src)
		if all, err := Ask(t.Context(), src, s, Options{}); err != nil || len(all) > 0 || s.Table != "none" {
			t.Errorf("%d: %s: %+v, %v", i, s.Table, all, err)
		}
	}
}

func TestTablesDiffer(t *testing.T) {
	dos, guid := partitioned(t, threePrimaries), newGPT(gptForm{})
	for _, c := range []struct {
		src image.Source
		at  int64
		b   byte
		why string
	}{
		{dos, 446 + 16 + 8, 9, "record 2: type 83, 4096 sectors from sector 12297"},
		{dos, 446 + 12, 9, "record 1"},
		{dos, 446 + 32 + 4, 7, "record 3: type 07"},
		{dos, 446, 0, "active false"},
		{guid, 2*512 + 32, 9, "first copy damaged"}, // its CRC saw it
	} {
		t.Run(fmt.Sprintf("byte %d", c.at), func(t *testing.T) {
			if o := table(c.src, &altered{c.src, c.at, c.b}, survey(t, c.src)); o.Verdict != Differs || !strings.Contains(o.Why, c.why) {
				t.Errorf("%+v, want a difference: %s", o, c.why)
			}
			if o := table(c.src, &broken{c.src, c.at}, survey(t, c.src)); o.Verdict != Cannot || !strings.Contains(o.Why, "the drive cannot read") {
				t.Errorf("%+v, want cannot after a failed read", o)
			}
		})
	}
}

// Ask speaks of the table and each volume.
func TestAsk(t *testing.T) {
	d := partitioned(t, "label: dos\n2048,20000,6\n40960,20000,6\n")
	for i, start := range []disk.Sector{2048, 40960} {
		s := newSpecimen(t, small16)
		if i == 1 {
			s.poke(16, 1) // one table, it says
		}
		b := make([]byte, s.Size())
		if _, err := s.ReadAt(b, 0); err != nil {
			t.Fatal(err)
		}
		d.Put(start, b)
	}
	all, err := Ask(t.Context(), d, survey(t, d), Options{})
	if err != nil || len(all) != 3 {
		t.Fatalf("%+v, %v", all, err)
	}
	for i, want := range []Verdict{Agrees, Agrees, Cannot} {
		if all[i].Verdict != want || all[i].Compared.Entries != []int{4, 9, 0}[i] {
			t.Errorf("%+v, want %s", all[i], want)
		}
	}
	for i, f := range Findings(all) {
		if want := []disk.Sector{0, 2048, 40960}[i]; f.Sector != want {
			t.Errorf("%s at sector %d, want %d", f.Code, f.Sector, want)
		}
	}
}
