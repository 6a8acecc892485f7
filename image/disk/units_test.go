package disk

import (
	"math"
	"testing"
)

func TestUnits(t *testing.T) {
	for _, c := range []struct {
		start, count     uint64
		unit, sectorSize int
		want             Span
		exact            bool
	}{
		{63, 100, 512, 512, Span{63, 100}, true},
		{16, 10, 2048, 512, Span{64, 40}, true},
		{64, 40, 512, 2048, Span{16, 10}, true},
		{65, 40, 512, 2048, Span{16, 11}, false},
		{64, 41, 512, 2048, Span{16, 11}, false},
		{0, 0, 512, 4096, Span{0, 0}, true},
		{0, 1, 1, 512, Span{0, 1}, false},
		{math.MaxUint64, math.MaxUint64, 1, 512, Span{1 << 52, 1 << 52}, true},
		{math.MaxUint64, math.MaxUint64, 65536, 512, Span{1 << 52, 1 << 52}, true},
	} {
		if got, exact := Units(c.start, c.count, c.unit, c.sectorSize); got != c.want || exact != c.exact {
			t.Errorf("Units(%d, %d, %d, %d) = %v, %v; want %v, %v", c.start, c.count, c.unit, c.sectorSize, got, exact, c.want, c.exact)
		}
	}
}
