package disk

// most is the largest number of bytes that Units counts to, so that sums of
// two such numbers stay in range.
const most = 1 << 61

// Units converts count units that begin at unit start, each of unit bytes,
// into sectors of sectorSize bytes. Partition maps and volumes count in blocks
// of their own. If either end falls inside a sector the span is widened to
// whole sectors and exact is false. Numbers beyond 2^61 bytes stay there: no
// disk reaches them. unit and sectorSize are positive.
func Units(start, count uint64, unit, sectorSize int) (s Span, exact bool) {
	u, n := uint64(unit), uint64(sectorSize)
	start, count = min(start, most/u)*u, min(count, most/u)*u
	end := start + count
	exact = start%n == 0 && end%n == 0
	return Between(Sector(start/n), Sector((end+n-1)/n)), exact
}
