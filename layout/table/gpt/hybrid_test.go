package gpt

import (
	"encoding/binary"
	"math"
	"testing"

	"bootgraft/image/disk"
	"bootgraft/layout/table/mbr"
)

// hybridOf is a disk with entries 100..199 and 300..399, and records beside the EE one.
func hybridOf(t *testing.T, records ...[3]uint32) *Table {
	t.Helper()
	s := usual(5000, 512, [2]uint64{100, 199}, [2]uint64{300, 399})
	return mustRead(t, edit(s, 0, func(b []byte) {
		binary.LittleEndian.PutUint32(b[458:], 99)
		for i, r := range records {
			at := b[462+16*i:]
			at[4] = byte(r[0])
			copy(at[5:8], []byte{0xFE, 0xFF, 0xFF})
			binary.LittleEndian.PutUint32(at[8:], r[1])
			binary.LittleEndian.PutUint32(at[12:], r[2])
		}
	}))
}

// TestHybridInStep: a record that names the sectors of an entry follows it, and no other
// byte of the boot record changes. There is no standard of hybrid records.
func TestHybridInStep(t *testing.T) {
	tab := hybridOf(t, [3]uint32{0x0C, 300, 100}, [3]uint32{0x83, 100, 100})
	r, err := tab.Render(9000, nil, map[int]disk.Span{2: {Start: 300, Count: 5000}})
	if err != nil {
		t.Fatal(err)
	}
	got, err := mbr.Parse(r.Protective)
	if err != nil {
		t.Fatal(err)
	}
	want := tab.MBR.Bytes()
	binary.LittleEndian.PutUint32(want[462+12:], 5000)
	if string(got.Bytes()) != string(want) {
		t.Errorf("records % x, want % x", got.Bytes()[446:510], want[446:510])
	}
	if again := mustRead(t, apply(r, 9000, 512)); again.Entries()[1].Last != 5299 {
		t.Errorf("entry 2 ends at %d", again.Entries()[1].Last)
	}
	long := map[int]disk.Span{2: {Start: 300, Count: math.MaxUint32 + 1}}
	if _, err := tab.Render(1<<34, nil, long); err == nil {
		t.Error("a length that the record cannot hold is written")
	}
}

// TestTied: what stands in the boot record beside an entry keeps it as long as it is only
// where nobody can know what the record would have to say.
func TestTied(t *testing.T) {
	second := disk.Span{Start: 300, Count: 100}
	for name, c := range map[string]struct {
		records [][3]uint32
		want    bool
	}{
		"nothing beside it":            {nil, false},
		"the entry itself":             {[][3]uint32{{0x0C, 300, 100}}, false},
		"another entry":                {[][3]uint32{{0x0C, 100, 100}}, false},
		"a part of it":                 {[][3]uint32{{0x0C, 300, 90}}, true},
		"more than it":                 {[][3]uint32{{0x0C, 300, 110}}, true},
		"the rest is protected":        {[][3]uint32{{0x0C, 300, 100}, {0xEE, 400, 4600}}, true},
		"what lies before is somebody": {[][3]uint32{{0x0C, 300, 100}, {0x83, 200, 50}}, false},
	} {
		if got := hybridOf(t, c.records...).Tied(second); got != c.want {
			t.Errorf("%s: %v, want %v", name, got, c.want)
		}
	}
}
