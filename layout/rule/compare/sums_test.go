package compare

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"sync/atomic"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
)

// counted tells how many bytes of a disk were asked for.
type counted struct {
	image.Source
	read *atomic.Int64
}

func (c counted) ReadAt(p []byte, off int64) (int, error) {
	c.read.Add(int64(len(p)))
	return c.Source.ReadAt(p, off)
}

// Where most of the head is blank, an accidental sum is the same at a thousand ends.
// Looking at each of them on the other disk read a thousand times as much as there is.
func TestAccidentalSumsAreNotReadAgainAtEveryEnd(t *testing.T) {
	var read atomic.Int64
	var dumps []Dump
	for i, n := range []disk.Sector{16_384, 20_000} {
		d := imagetest.New(n, 512)
		d.Put(64, []byte("a header of no size"))
		if i == 1 { // the device has written here and there
			for s := range disk.Sector(20) {
				d.Put(70+100*s, []byte("changed"))
			}
		}
		dumps = append(dumps, Dump{Name: fmt.Sprint(n), Source: counted{d, &read}})
	}
	const area = 2048
	if _, err := Run(t.Context(), dumps, Options{Head: area, Tail: area}); err != nil {
		t.Fatal(err)
	}
	if all, most := int64(2*2*area*512), int64(1000); read.Load() > most*all {
		t.Errorf("%d bytes were read of areas of %d: more than %d times that", read.Load(), all, most)
	} else {
		t.Logf("%d bytes were read of areas of %d", read.Load(), all)
	}
}

// alike takes eight bytes at a time; byte by byte it says the same.
func TestAlikeIsByteByByte(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 9))
	for range 20_000 {
		a, b := make([]byte, 32), make([]byte, 32)
		for i := range a {
			a[i], b[i] = byte(r.IntN(3)*r.IntN(128)), byte(r.IntN(3)*r.IntN(128))
			if r.IntN(2) == 0 {
				b[i] = a[i]
			}
		}
		same, used := 0, 0
		for i := range a {
			if a[i] != 0 || b[i] != 0 {
				used++
				if a[i] == b[i] {
					same++
				}
			}
		}
		if want := same > 0 && 2*same >= used; alike(a, b) != want {
			t.Fatalf("% x and % x: %v", a, b, !want)
		}
	}
}

// TestFillIsNoChecksum: the sum of fillings is a filling again. A map of the units of a
// disk with the rest marked, and a line that stands there or does not, have no checksum.
func TestFillIsNoChecksum(t *testing.T) {
	for name, head := range map[string]func(n disk.Sector, i int) []byte{
		"map": func(_ disk.Sector, i int) []byte {
			b := make([]byte, 512)
			for i := []int{128, 192, 128, 504}[i]; i < 8*512; i++ {
				b[i/8] |= 0x80 >> (i % 8)
			}
			return b
		},
		"text": func(_ disk.Sector, i int) []byte {
			b := make([]byte, 512)
			copy(b[64:], strings.Repeat([]string{"", " ", "-", "*"}[i], 16))
			return b
		},
	} {
		c, _ := made(t, head)
		for i := range c.Checks {
			if k := &c.Checks[i]; k.State() == Proved {
				t.Errorf("%s: %s at %s over %d bytes from %s on is proved", name, k.Ways[0].Sum, k.Place, k.Ways[0].Count,
					k.Ways[0].Start)
			}
		}
	}
}

// TestSealIsNoChecksum: a size is kept beside itself, mixed with the serial number of
// another sector. That the serial number is the sum of both is true of every unit, and
// nothing that may be made new on a card without a question.
func TestSealIsNoChecksum(t *testing.T) {
	c, disks := made(t, func(n disk.Sector, i int) []byte {
		b := make([]byte, 1024)
		serial := []disk.Sector{0x9137_42C5, 0x2386_D95A, 0xC4F1_1B93, 0x5812_7E0F}[i]
		copy(b, "INVENTED SEAL")
		copy(b[16:], be32(serial))
		copy(b[512:], slices.Concat(be32(n), be32(n^serial)))
		return b
	})
	out, err := Apply(&c.Rules, disks[0], 5_555_555)
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range out.Sectors {
		if !slices.ContainsFunc(out.Undecided, func(u OpenRule) bool { return u.Place.SectorStart().At(0) == s.At }) {
			t.Errorf("sector %d is made without a question", s.At)
		}
	}
}
