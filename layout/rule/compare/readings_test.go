package compare

import (
	"encoding/binary"
	"math/rand/v2"
	"slices"
	"testing"

	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
)

// sumOfBytes puts the sum of all bytes before it into the last two, low byte first.
func sumOfBytes(b []byte) {
	sum := uint16(0)
	for _, c := range b[:510] {
		sum += uint16(c)
	}
	binary.LittleEndian.PutUint16(b[510:], sum)
}

// likeOnes compares disks of some sizes whose first sector is what head makes of the
// size, with a serial number in the second one, and holds the card of n sectors that
// the rules make against the device's own.
func likeOnes(t *testing.T, sizes []disk.Sector, n disk.Sector, head func(n disk.Sector) []byte) *Comparison {
	t.Helper()
	c, src := originals(t, sizes, func(d *imagetest.Disk, n disk.Sector, i int) {
		d.Put(0, head(n))
		r := rand.New(rand.NewPCG(uint64(i), 1))
		serial := make([]byte, 512)
		binary.LittleEndian.PutUint64(serial[32:], r.Uint64())
		d.Put(1, serial)
	})
	out, err := Apply(&c.Rules, src, n)
	if err != nil || len(out.Sectors) != 1 {
		t.Fatalf("%+v, %v", out, err)
	}
	want := head(n)
	for i, b := range out.Sectors[0].Bytes {
		if b != want[i] {
			t.Errorf("%d sectors: byte %d is %02x, the device writes %02x; fields %+v, checks %+v", n, i, b, want[i], c.Fields,
				c.Checks)
			break
		}
	}
	return c
}

// TestASumHasItsUpperByte: a sum of bytes in 16 bits, of which the upper eight are the
// same on all drives at hand, is not the sum in eight bits that it is as well.
func TestASumHasItsUpperByte(t *testing.T) {
	head := func(n disk.Sector) []byte {
		b := make([]byte, 512)
		copy(b, "INVENTED UNIT\x10")
		copy(b[64:], be32(n))
		sumOfBytes(b)
		return b
	}
	const n = 31_266_816
	sizes := []disk.Sector{6_346_368, 18_710_496, 6_346_368}
	for _, s := range sizes {
		if have := head(s)[511]; have != head(sizes[0])[511] || have == head(n)[511] {
			t.Fatalf("the upper byte is %02x for %d sectors", have, s)
		}
	}
	likeOnes(t, sizes, n, head)
}

// TestASumMayStandStill: the bytes of a number of cylinders of 255 heads and 63 sectors
// add up to the same modulo 255, so that a sum of them can be the same on all drives.
// It is asked about.
func TestASumMayStandStill(t *testing.T) {
	head := func(n disk.Sector) []byte {
		b := make([]byte, 512)
		copy(b, "INVENTED UNIT WITH A SUM")
		binary.LittleEndian.PutUint32(b[80:], uint32(n/2))
		sumOfBytes(b)
		return b
	}
	sizes := []disk.Sector{17_575_110, 39_070_080, 19_695_690, 33_672_240, 2_120_580}
	for _, s := range sizes {
		if !slices.Equal(head(s)[510:], head(sizes[0])[510:]) {
			t.Fatalf("the sum moves: % x", head(s)[510:])
		}
	}
	c := likeOnes(t, sizes, 31_266_816, head)
	if len(c.Checks) != 1 || c.Checks[0].State() != Undecided {
		t.Errorf("checksums %+v", c.Checks)
	}
}

// TestTheUsualNumberComesFirst: units of 128 and two in four bytes behind two zeros
// are not bytes in whole units of 131,072 and 65,536 in eight.
func TestTheUsualNumberComesFirst(t *testing.T) {
	likeOnes(t, []disk.Sector{26_366_445, 2_120_580, 22_346_415, 19_562_445, 33_854_625}, 31_266_816,
		func(n disk.Sector) []byte {
			b := make([]byte, 512)
			copy(b, "INVENTED UNIT")
			binary.LittleEndian.PutUint32(b[82:], uint32(n/128+2))
			return b
		})
}

// TestMapOfFewDrives: two drives are enough to see that a number of clusters, the
// sectors of their map and the start behind it belong together.
func TestMapOfFewDrives(t *testing.T) {
	likeOnes(t, []disk.Sector{4_124_736, 39_070_080, 4_124_736}, 53_293_568, func(n disk.Sector) []byte {
		b := make([]byte, 512)
		copy(b, "INVENTED UNIT")
		copy(b[32:], be32(n))
		clusters := uint32((n - 600) / 32)
		bitmap := (clusters + 4095) / 4096
		for i, v := range []uint32{clusters, bitmap, bitmap + 40} {
			binary.LittleEndian.PutUint32(b[64+4*i:], v)
		}
		return b
	})
}

// TestBytesOfClusters: bytes of all clusters follow from the clusters, where two drives
// alone say too little of either.
func TestBytesOfClusters(t *testing.T) {
	likeOnes(t, []disk.Sector{16_514_064, 25_429_824, 16_514_064}, 15_759_360, func(n disk.Sector) []byte {
		b := make([]byte, 512)
		copy(b, "INVENTED UNIT")
		copy(b[32:], be32(n))
		clusters := uint32((n - 600) / 32)
		for i, v := range []uint32{clusters, clusters * 32} {
			binary.LittleEndian.PutUint32(b[64+4*i:], v)
		}
		return b
	})
}
