package compare

import (
	"context"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"math/rand/v2"
	"slices"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout"
	"bootgraft/layout/rule/candidate"
)

var madeSizes = []disk.Sector{2_000_003, 2_500_008, 3_333_333, 4_000_100}

// made compares disks whose first sectors are what head makes of their size
// and their number.
func made(t *testing.T, head func(n disk.Sector, i int) []byte) (*Comparison, []*imagetest.Disk) {
	t.Helper()
	var dumps []Dump
	var disks []*imagetest.Disk
	for i, n := range madeSizes {
		d := imagetest.New(n, 512)
		d.Put(0, head(n, i))
		disks = append(disks, d)
		dumps = append(dumps, Dump{Name: fmt.Sprint(i), Source: d})
	}
	c, err := Run(context.Background(), dumps, Options{Head: 8, Tail: 8})
	if err != nil {
		t.Fatal(err)
	}
	return c, disks
}

// TestOutgrownNumber: clusters of 64 in 32 bits, of which the originals use 16.
// A larger card needs the others, and that is not decided.
func TestOutgrownNumber(t *testing.T) {
	c, disks := made(t, func(n disk.Sector, _ int) []byte {
		b := make([]byte, 512)
		binary.LittleEndian.PutUint32(b[80:], uint32(n/64))
		return b
	})
	if !slices.Contains(imagetest.Codes(c.Findings), string(disk.CompareNoPair)) {
		t.Errorf("nobody says that no two are of one size: %v", c.Findings)
	}
	const fits, outgrown = 3_900_000, 8_000_000
	if a, err := c.Answer(&c.Fields[0], fits); err != nil || a.State != Proved || a.Value != fits/64 {
		t.Errorf("for %d sectors: %+v, %v", fits, a, err)
	}
	a, err := c.Answer(&c.Fields[0], outgrown)
	if err != nil || a.State != Undecided || a.Value != outgrown/64 || string(a.Bytes[:4]) != "\x48\xE8\x01\x00" ||
		a.Encoding != "le32" {
		t.Errorf("for %d sectors: %+v, %v; 125,000 is 0001E848", outgrown, a, err)
	}
	out, err := Apply(&c.Rules, disks[0], outgrown)
	if err != nil {
		t.Fatal(err)
	}
	if len(out.Undecided) != 1 || out.Undecided[0].Place != c.Fields[0].Place ||
		out.Undecided[0].Code != "rules-undecided" || len(out.Findings) > 0 {
		t.Errorf("%+v, findings %v", out.Undecided, out.Findings)
	}
}

// TestChecksumInAnotherByteOrder: a device whose disk a PC reads with words
// swapped sums up what it sees itself.
func TestChecksumInAnotherByteOrder(t *testing.T) {
	for _, order := range []image.Order{image.Plain, image.Swap16, image.Swap32} {
		head := func(n disk.Sector, _ int) []byte {
			b := make([]byte, 512)
			copy(b, "INVENTED UNIT")
			binary.BigEndian.PutUint32(b[0x50:], uint32(n))
			binary.LittleEndian.PutUint32(b[504:], crc32.ChecksumIEEE(b[:504]))
			order.Turn(b)
			return b
		}
		c, disks := made(t, head)
		if len(c.Checks) != 1 || c.Checks[0].State() != Proved || c.Checks[0].Ways[0].Order != order ||
			c.Checks[0].Ways[0].Sum != "crc32-ieee" {
			t.Fatalf("%s: %+v", order, c.Checks)
		}
		const n = 5_555_555
		out, err := Apply(&c.Rules, disks[0], n)
		if err != nil {
			t.Fatal(err)
		}
		if len(out.Sectors) != 1 || string(out.Sectors[0].Bytes) != string(head(n, 0)) ||
			len(out.Findings)+len(out.Undecided) > 0 {
			t.Errorf("%s: the card is not as the device makes it: %v", order, out.Findings)
		}
	}
}

// TestContentIsNoField: songs that hold the number of sectors and a boot
// signature are content, whatever they hold, and the field beside them is found.
func TestContentIsNoField(t *testing.T) {
	c, disks := made(t, func(n disk.Sector, i int) []byte {
		b := make([]byte, 4*512)
		binary.BigEndian.PutUint32(b[0x50:], uint32(n-1))
		r := rand.New(rand.NewPCG(uint64(i), 0))
		for x := 512; x < len(b); x++ {
			b[x] = byte(r.Uint32())
		}
		binary.BigEndian.PutUint32(b[512+100:], uint32(n))
		b[1022], b[1023] = 0x55, 0xAA
		return b
	})
	if len(c.Fields) != 1 || c.Fields[0].Place != (candidate.Place{From: layout.FromStart, Byte: 0x50}) ||
		len(c.Checks)+len(c.Copies) > 0 {
		t.Errorf("rules %+v", c.Rules)
	}
	if want := []Stretch{{candidate.Place{From: layout.FromStart, Sector: 1}, 3 * 512, Content}}; !slices.Equal(c.Carried,
		want) {
		t.Errorf("carried %v, want %v", c.Carried, want)
	}
	out, err := Apply(&c.Rules, disks[0], 5_000_000)
	if err != nil {
		t.Fatal(err)
	}
	if codes := imagetest.Codes(out.Findings); !slices.Equal(codes, []string{"rules-carried-content"}) ||
		out.Findings[0].Severity != disk.Note {
		t.Errorf("findings %v", out.Findings)
	}
}
