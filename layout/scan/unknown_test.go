package scan

import (
	"bytes"
	"os"
	"slices"
	"testing"

	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout"
	"bootgraft/layout/layouttest/disks"
)

func readFile(name string) ([]byte, error) { return os.ReadFile(name) }

// The tail of a disk without a table: the last run in use, at most 64 MiB
// long, after at least 64 KiB of blank.
func TestTailWithoutTable(t *testing.T) {
	const mib = 2048 // sectors
	noise := func(spans ...disk.Span) func(*imagetest.Disk) {
		return func(d *imagetest.Disk) {
			for _, s := range spans {
				for x := s.Start; x < s.End(); x += max(1, s.Count/64) {
					disks.Noise(d, at(x, 1), uint64(x))
				}
				disks.Noise(d, at(s.Last(), 1), 0)
			}
		}
	}
	for name, c := range map[string]struct {
		sectors    disk.Sector
		put        func(*imagetest.Disk)
		head, tail disk.Span
		code       string
	}{
		"head and tail":                {200 * mib, noise(at(0, 50), at(199*mib, 40)), at(0, 50), at(199*mib, mib), ""},
		"two runs after the head":      {200 * mib, noise(at(0, 50), at(9000, 5), at(199*mib, 40)), at(0, 50), at(199*mib, mib), ""},
		"127 blank sectors divide not": {20 * mib, noise(at(0, 64), at(191, 64)), disk.Span{}, disk.Span{}, "tail-undecided"},
		"128 blank sectors divide":     {20 * mib, noise(at(0, 64), at(192, 64)), at(0, 64), at(192, 20*mib-192), ""},
		"the last 64 MiB are blank":    {200 * mib, noise(at(0, 50), at(130*mib, 5)), at(0, 50), disk.Span{}, "no-tail"},
		"a run of exactly 64 MiB":      {200 * mib, noise(at(0, 50), at(136*mib, 5), at(199*mib, 5)), at(0, 50), at(199*mib, mib), ""},
		"a full disk":                  {10 * mib, noise(at(0, 64)), disk.Span{}, disk.Span{}, ""},
		"blank":                        {200 * mib, noise(), disk.Span{}, disk.Span{}, ""},
		"nothing but a tail":           {200 * mib, noise(at(190*mib, 5)), disk.Span{}, at(190*mib, 10*mib), ""},
	} {
		t.Run(name, func(t *testing.T) {
			d := imagetest.New(c.sectors, 512)
			c.put(d)
			s := survey(t, d)
			var head, tail disk.Span
			for _, r := range s.Regions {
				if r.Role == layout.RoleTail {
					tail = r.Span
				}
				if r.Name == "head" {
					head = r.Span
				}
			}
			if tail != c.tail || !c.head.Empty() && head != c.head {
				t.Errorf("head %s, tail %s; want %s, %s; %v", head, tail, c.head, c.tail, s.Findings)
			}
			if codes := imagetest.Codes(s.Findings); c.code != "" && !slices.Contains(codes, c.code) {
				t.Errorf("findings %q, want %s", codes, c.code)
			}
		})
	}
}

// A full drive: its last sectors are as likely a recording as a tail.
func TestFullDiskIsUndecided(t *testing.T) {
	d := imagetest.NewBytes(bytes.Repeat([]byte("recording "), 1<<20), 512)
	s := survey(t, d)
	if !s.TailUndecided || !slices.Contains(imagetest.Codes(s.Findings), "tail-undecided") || slices.ContainsFunc(s.Regions, func(r layout.Region) bool { return r.Role == layout.RoleTail }) {
		t.Errorf("%v", s.Findings)
	}
}

// Regions too long to be hashed are described by the pass that divided them.
func TestLongRegionsWithoutTable(t *testing.T) {
	const gib = 2 << 20
	d := imagetest.New(gib, 512)
	disks.Noise(d, at(3, 7), 1)
	disks.Noise(d, at(400000, 9), 2)
	d.Put(500000, bytes.Repeat([]byte{0xFF}, 512*100))
	disks.Noise(d, at(gib-1000, 11), 3)
	s := survey(t, d)
	if len(s.Regions) != 3 {
		t.Fatalf("regions %v", s.Regions)
	}
	head, rest, tail := s.Regions[0], s.Regions[1], s.Regions[2]
	if head.Span != at(0, 10) || head.Content.NonBlank != 7 || head.Content.First != 3 || head.Content.Last != 9 {
		t.Errorf("head %+v", head)
	}
	if c := rest.Content; !c.Looked || c.Blank || c.NonBlank != 9 || c.First != 400000 || c.Last != 400008 || c.SHA256 != "" {
		t.Errorf("rest %+v", rest)
	}
	if tail.Span != at(gib-1000, 1000) || tail.Content.NonBlank != 11 {
		t.Errorf("tail %+v", tail)
	}
}

// Blank is 00 or FF, each for itself; anything else that repeats is content.
func TestBlank(t *testing.T) {
	for fill, want := range map[byte]bool{0x00: true, 0xFF: true, 0xE5: false, 0xF6: false, 0x01: false} {
		d := imagetest.NewBytes(bytes.Repeat([]byte{fill}, 512*1000), 512)
		r := survey(t, d).Regions[0]
		if r.Content.Blank != want || want && r.Content.Fill != fill || !want && r.Content.NonBlank != 1000 {
			t.Errorf("%02X: %+v", fill, r.Content)
		}
	}
	mixed := imagetest.New(1000, 512)
	mixed.Put(10, bytes.Repeat([]byte{0xFF}, 5120))
	if c := survey(t, mixed).Regions[0].Content; c.Blank || c.NonBlank != 0 || c.SHA256 == "" {
		t.Errorf("00 and FF: %+v", c)
	}
}

// The same word is not repeated for every sector it stands in.
func TestSignatures(t *testing.T) {
	d := imagetest.New(2000, 512)
	disks.MBR(d, entry(63, 100))
	d.Put(5, []byte("\xEBGRUB loading stage2"))
	d.Put(6, []byte("GRUB again"))
	d.Put(7, []byte("RIFF"))
	d.Put(9, []byte("\x01\x02Songcollector boot area v3"))
	got := survey(t, d).Regions[1].Content.Signatures
	want := []string{"GRUB boot code at sector 5", "WAV audio (RIFF) at sector 7"}
	if !slices.Equal(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
}
