package bridge

import (
	"encoding/binary"
	"errors"
	"slices"
	"testing"
	"time"

	"bootgraft/image"
	"bootgraft/image/ata"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
)

// played is a drive behind a bridge: what is known of it, and which single sectors
// were read for the check.
type played struct {
	src   image.Source
	known disk.Spans
	bad   disk.Spans
	took  time.Duration // of each read
	now   time.Time
	reads []disk.Sector
}

func play(src image.Source) *played {
	return &played{src: src, known: disk.NewSpans(disk.Span{Count: min(disk.Sector(Head/src.SectorSize()), image.Sectors(src))})}
}

func (p *played) drive(says *ata.Identify) Drive {
	return Drive{
		Known: func() (image.Source, error) {
			return image.NewKnown(p.src, p.known.Outside(image.Whole(p.src)), nil), nil
		},
		Read: func(x disk.Sector) (bool, error) {
			p.reads, p.now = append(p.reads, x), p.now.Add(p.took)
			if len(p.bad.Within(disk.Span{Start: x, Count: 1})) > 0 {
				return false, nil
			}
			p.known = p.known.Add(disk.Span{Start: x, Count: 1})
			return true, nil
		},
		Says: says, Now: func() time.Time { return p.now },
	}
}

// text is a sector that tells.
func text(seed byte, n int) []byte {
	b := make([]byte, n)
	for i := range b {
		b[i] = byte(i)*7 + byte(i>>8) + seed
	}
	return b
}

// table is sector 0 with entries of so many sectors from there.
func table(n int, entries ...[2]uint32) []byte {
	b := text(3, n)
	clear(b[446:510])
	for i, e := range entries {
		b[446+16*i+4] = 0x0B
		binary.LittleEndian.PutUint32(b[446+16*i+8:], e[0])
		binary.LittleEndian.PutUint32(b[446+16*i+12:], e[1])
	}
	b[510], b[511] = 0x55, 0xAA
	return b
}

func boot(n int) []byte {
	b := text(5, n)
	b[0], b[510], b[511] = 0xEB, 0x55, 0xAA
	return b
}

func gpt(n int, last uint64) []byte {
	b := make([]byte, n)
	copy(b, "EFI PART")
	binary.LittleEndian.PutUint64(b[32:], last)
	return b
}

func swapped(b []byte) []byte {
	out := slices.Clone(b)
	image.Swap16.Turn(out)
	return out
}

// with makes a disk of some sectors that hold something.
func with(sectors disk.Sector, size int, content map[disk.Sector][]byte) *imagetest.Disk {
	d := imagetest.New(sectors, size)
	for x, b := range content {
		if x < sectors { // what lies behind the end that is shown cannot be read
			d.Put(x, b)
		}
	}
	return d
}

// TestLies: what a bridge does to a drive, and what is said. The lies are those of the
// trade (common practice, no source).
func TestLies(t *testing.T) {
	type disks = map[disk.Sector][]byte
	good := disks{0: table(512, [2]uint32{63, 200_000}), 1: text(1, 512), 63: boot(512), 299_999: text(9, 512)}
	bare := disks{0: text(1, 512), 1: text(2, 512)}
	gptDisk := disks{0: table(512), 1: gpt(512, 299_999), 299_999: gpt(512, 1)}
	also := func(base disks, more disks) disks {
		out := disks{}
		for _, m := range []disks{base, more} {
			for x, b := range m {
				out[x] = b
			}
		}
		return out
	}
	says := func(n disk.Sector) *ata.Identify { return &ata.Identify{Sectors: n, SectorSize: 512} }
	for name, c := range map[string]struct {
		src  *imagetest.Disk
		bad  disk.Spans
		says *ata.Identify
		want []disk.Code
	}{
		"as it is":             {src: with(300_000, 512, good)},
		"as it is, and asked":  {src: with(300_000, 512, good), says: says(300_000)},
		"as it is, GPT":        {src: with(300_000, 512, gptDisk)},
		"blank":                {src: with(300_000, 512, nil)},
		"one sector":           {src: with(1, 512, disks{0: table(512, [2]uint32{0, 1})})},
		"a small one":          {src: with(100, 512, good)},
		"4,096 as it is":       {src: with(40_000, 4096, disks{0: table(4096, [2]uint32{64, 20_000}), 1: text(1, 4096), 64: boot(4096)})},
		"4,096 for 512":        {src: with(37_500, 4096, disks{0: table(4096, [2]uint32{2048, 200_000}), 256: boot(4096)}), want: []disk.Code{disk.BridgeSectorSize}},
		"4,096 for 512, GPT":   {src: with(37_500, 4096, disks{0: append(append(table(512), gpt(512, 299_999)...), make([]byte, 3072)...)}), want: []disk.Code{disk.BridgeSectorSize}},
		"512 for 4,096":        {src: with(320_000, 512, disks{0: table(512, [2]uint32{64, 30_000}), 512: boot(512)}), want: []disk.Code{disk.BridgeSectorSize}},
		"512 for 4,096, GPT":   {src: with(320_000, 512, disks{0: table(512), 8: gpt(512, 39_999)}), want: []disk.Code{disk.BridgeSectorSize}},
		"half again":           {src: with(600_000, 512, also(good, disks{300_000: good[0], 300_001: good[1]})), want: []disk.Code{disk.BridgeRepeats}},
		"a copy of sector 0":   {src: with(600_000, 512, also(good, disks{300_000: good[0]}))},
		"2^28 again":           {src: with(300_000_000, 512, also(bare, disks{1 << 28: bare[0], 1<<28 + 1: bare[1]})), want: []disk.Code{disk.BridgeRepeats}},
		"2^32 again":           {src: with(5_000_000_000, 512, also(bare, disks{1 << 32: bare[0], 1<<32 + 1: bare[1]})), want: []disk.Code{disk.BridgeRepeats}},
		"filled with one byte": {src: with(600_000, 512, disks{0: text(1, 512)})},
		"one less, MBR":        {src: with(200_062, 512, good), want: []disk.Code{disk.BridgeLastMissing}},
		"one less, GPT":        {src: with(299_999, 512, gptDisk), want: []disk.Code{disk.BridgeLastMissing}},
		"one more":             {src: with(300_001, 512, good), bad: disk.Spans{{Start: 300_000, Count: 1}}, want: []disk.Code{disk.BridgeLastUnreadable}},
		"the last is bad":      {src: with(300_000, 512, good), bad: disk.Spans{{Start: 299_999, Count: 1}}, says: says(300_000)},
		"swapped":              {src: with(300_000, 512, disks{0: swapped(good[0]), 1: swapped(good[1])}), want: []disk.Code{disk.BridgeByteOrder}},
		"AA 55 alone":          {src: with(300_000, 512, disks{0: append(text(1, 510), 0xAA, 0x55)})},
		"2^32-1":               {src: with(1<<32-1, 512, bare), want: []disk.Code{disk.BridgeCapacity}},
		"2^32":                 {src: with(1<<32, 512, bare), want: []disk.Code{disk.BridgeCapacity}},
		"2^28-1":               {src: with(1<<28-1, 512, bare), want: []disk.Code{disk.BridgeCapacity}},
		"2^28, by the drive":   {src: with(1<<28, 512, bare), says: says(1 << 28)},
	} {
		p := play(c.src)
		p.bad = c.bad
		found, err := Check(p.drive(c.says))
		if err != nil {
			t.Fatal(err)
		}
		if got := imagetest.Codes(found); !slices.Equal(got, codes(c.want)) {
			t.Errorf("%s: %v, want %v", name, found, c.want)
		}
		seen := map[disk.Sector]bool{}
		for _, x := range p.reads {
			if seen[x] || x < 0 || x >= image.Sectors(c.src) || x < disk.Sector(Head/c.src.SectorSize()) {
				t.Errorf("%s: reads %v", name, p.reads)
			}
			seen[x] = true
		}
		if len(p.reads) > Most {
			t.Errorf("%s: %d reads", name, len(p.reads))
		}
	}
}

func codes(c []disk.Code) (out []string) {
	for _, x := range c {
		out = append(out, string(x))
	}
	return out
}

// TestBounds: no read begins after two seconds, nor after one that failed or took long,
// and an error ends the check.
func TestBounds(t *testing.T) {
	src := with(5_000_000_000, 512, map[disk.Sector][]byte{
		0: table(512, [2]uint32{2048, 200_000}, [2]uint32{300_000, 200_000}), 1: text(1, 512), 2: text(2, 512),
	})
	all := play(src)
	if _, err := Check(all.drive(nil)); err != nil || len(all.reads) < 8 || len(all.reads) > Most {
		t.Fatalf("%v, %v", all.reads, err)
	}
	slow := play(src)
	slow.took = longest/3 + time.Millisecond
	if _, err := Check(slow.drive(nil)); err != nil || len(slow.reads) != 3 {
		t.Errorf("slow: %v, %v", slow.reads, err)
	}
	ill := play(src)
	ill.bad = disk.Spans{{Start: all.reads[2], Count: 1}}
	if _, err := Check(ill.drive(nil)); err != nil || len(ill.reads) != 3 {
		t.Errorf("ill: %v, %v", ill.reads, err)
	}
	gone := play(src)
	d := gone.drive(nil)
	d.Read = func(disk.Sector) (bool, error) { return false, errGone }
	if _, err := Check(d); !errors.Is(err, errGone) {
		t.Errorf("gone: %v", err)
	}
}

var errGone = errors.New("gone")

// TestWhatIsNotKnownIsNotJudged: with nothing read but the head, and no read allowed,
// nothing is said that would need more.
func TestWhatIsNotKnownIsNotJudged(t *testing.T) {
	src := with(600_000, 512, map[disk.Sector][]byte{0: text(1, 512), 1: text(2, 512), 300_000: text(1, 512), 300_001: text(2, 512)})
	p := play(src)
	p.known = nil
	d := p.drive(nil)
	d.Read = func(disk.Sector) (bool, error) { return false, nil }
	if found, err := Check(d); err != nil || len(found) != 1 || found[0].Code != disk.BridgeLastUnreadable {
		t.Errorf("%v, %v", found, err)
	}
}

// FuzzCheck: whatever the head of a drive holds, the check stays inside its bounds.
func FuzzCheck(f *testing.F) {
	f.Add(table(512, [2]uint32{63, 200_000}), uint64(300_000), false)
	f.Add(append(table(512), gpt(512, 1)...), uint64(1<<32), true)
	f.Fuzz(func(t *testing.T, head []byte, sectors uint64, large bool) {
		size := 512
		if large {
			size = 4096
		}
		n := disk.Sector(sectors%(1<<48)) + 1
		src := imagetest.New(n, size)
		for x := disk.Sector(0); len(head) >= size && x < n && x < 16; x++ {
			src.Put(x, head[:size])
			head = head[size:]
		}
		p := play(src)
		if _, err := Check(p.drive(nil)); err != nil || len(p.reads) > Most {
			t.Fatalf("%v, %v", p.reads, err)
		}
	})
}
