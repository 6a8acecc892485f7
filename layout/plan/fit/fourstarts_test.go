package fit

import (
	"bytes"
	"context"
	"encoding/binary"
	"hash/crc32"
	"testing"

	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout"
	"bootgraft/layout/layouttest/disks"
	"bootgraft/layout/plan"
	"bootgraft/layout/plan/card"
	"bootgraft/layout/rule/candidate"
	"bootgraft/layout/scan"
)

// device is an invented model: what its header holds of the size of its disk, where its
// copy lies, and how both are checked. It starts from a card whose header and copy are
// what it would have made itself.
type device struct {
	name  string
	put   func(b []byte, n disk.Sector)
	check func(b []byte)
	copy  disk.Sector // counted back from the end; 0: there is none
}

var bigSum = func(b []byte) { binary.BigEndian.PutUint32(b[508:], crc32.ChecksumIEEE(b[:508])) }
var littleSum = func(b []byte) { binary.LittleEndian.PutUint32(b[508:], crc32.ChecksumIEEE(b[:508])) }

var devices = []device{
	{"sectors, highest first, checked, copy in the last sector", func(b []byte, n disk.Sector) {
		binary.BigEndian.PutUint32(b[64:], uint32(n))
	}, littleSum, 1},
	{"sectors, lowest first, checked, copy 16 before the end", func(b []byte, n disk.Sector) {
		binary.LittleEndian.PutUint32(b[80:], uint32(n))
	}, bigSum, 16},
	{"last sector, lowest first, checked, no copy", func(b []byte, n disk.Sector) {
		binary.LittleEndian.PutUint32(b[100:], uint32(n-1))
	}, littleSum, 0},
	{"sectors and the place of the copy, copy without a checksum", func(b []byte, n disk.Sector) {
		binary.BigEndian.PutUint32(b[64:], uint32(n))
		binary.BigEndian.PutUint32(b[72:], uint32(n-1))
	}, nil, 1},
	{"sectors twice, checked, copy in the last sector", func(b []byte, n disk.Sector) {
		binary.BigEndian.PutUint32(b[64:], uint32(n))
		binary.LittleEndian.PutUint32(b[96:], uint32(n))
	}, littleSum, 1},
	{"nothing of the size, copy in the last sector", func([]byte, disk.Sector) {}, littleSum, 1},
}

// disk is what the device makes of n sectors.
func (v device) disk(n disk.Sector) *imagetest.Disk {
	d := imagetest.New(n, 512)
	b := make([]byte, 512)
	copy(b, "INVENTED LOOPER, HEADER OF ONE SECTOR 1.00")
	disks.Noise(d, at(40, 4), 7)
	copy(b[128:], sector(d, 40)[:256])
	v.put(b, n)
	if v.check != nil {
		v.check(b)
	}
	d.Put(0, b)
	if v.copy > 0 {
		d.Put(n-v.copy, b)
	}
	return d
}

// TestFourStartsFromOneDrive: from one drive alone one of the first four tries is what the
// device starts from, on a larger and a smaller card in turn.
func TestFourStartsFromOneDrive(t *testing.T) {
	t.Parallel()
	const n, most = 39_070_080, 4
	for i, v := range devices {
		size := []disk.Sector{62_333_952, 31_266_816}[i%2]
		src := v.disk(n)
		s, err := scan.Run(context.Background(), src, scan.Options{})
		if err != nil {
			t.Fatal(err)
		}
		report, err := candidate.Look(context.Background(), src, []candidate.Area{
			{Span: at(0, 64), From: layout.FromStart}, {Span: at(n-64, 64), From: layout.FromEnd}})
		if err != nil {
			t.Fatal(err)
		}
		if try := v.firstStart(t, src, s, report, size, most); try == 0 {
			t.Errorf("%s: none of %d tries starts on %d sectors", v.name, most, size)
		} else {
			t.Logf("%s: try %d starts on %d sectors", v.name, try, size)
		}
	}
}

// firstStart returns the first try that the device starts from, 0 if there is none.
func (v device) firstStart(t *testing.T, src *imagetest.Disk, s *layout.Map, report *candidate.Report, size disk.Sector, most int) int {
	t.Helper()
	want := v.disk(size)
	for try := 1; try <= most; try++ {
		p, err := Plan(context.Background(), src, s, Wishes{
			Target: plan.Size{Sectors: size, SectorSize: 512}, Invariants: report.Invariants(), Fields: report.Fields, Try: try,
			Accept: []disk.Code{disk.CopyLeftBehind, disk.TailUndecided},
		})
		if err != nil {
			t.Logf("%s, try %d: %v", v.name, try, err)
			continue
		}
		c, err := card.New(p, src)
		if err != nil {
			t.Fatal(err)
		}
		if bytes.Equal(sector(c, 0), sector(want, 0)) && (v.copy == 0 || bytes.Equal(sector(c, size-v.copy), sector(want, size-v.copy))) {
			return try
		}
	}
	return 0
}
