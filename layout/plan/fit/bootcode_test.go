package fit

import (
	"bytes"
	"encoding/binary"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/image/imagetest/disks"
)

// Numbers in tables are no addresses: the disk identifier and the entries of an
// MBR, those of the records of a chain, and both headers and the entries of a
// GUID partition table (UEFI Specification 2.10, 5.2 and 5.3). Code beside them
// is searched, also that of the record of a chain.
func TestTablesAreNoCode(t *testing.T) {
	const n = 100_000
	chain := imagetest.New(n, 512)
	box := disks.Entry{Span: at(300, 90_000), Type: 0x0F}
	disks.MBR(chain, entry(63, 200), box)
	disks.Chain(chain, box.Span, 63, entry(363, 333), entry(800, 80_123))
	guid := imagetest.New(n, 512)
	disks.GPT(guid, entry(2048, 77_777))
	for name, d := range map[string]*imagetest.Disk{"chain": chain, "gpt": guid} {
		tables := map[disk.Sector][]uint32{0: {0x12345678}}
		codes := map[disk.Sector]int{0: 100, 50: 0, 51: 508}
		if name == "chain" {
			tables[0] = append(tables[0], 200, 90_000)
			tables[300] = []uint32{333}
			tables[737] = []uint32{80_123}
			codes[300], codes[737] = 440, 17
		} else {
			tables[1] = []uint32{n - 34}
			tables[2] = []uint32{77_777 + 2047}
		}
		for x, at := range codes {
			put(t, d, x, at, 0xC0DE0000+uint32(x))
		}
		p := &planner{src: d, s: survey(t, d)}
		runs, err := p.bootCode(2048)
		if err != nil {
			t.Fatal(err)
		}
		for x := range codes {
			if !inRuns(runs, 0xC0DE0000+uint32(x)) {
				t.Errorf("%s: the code in sector %d is not searched", name, x)
			}
		}
		for x, numbers := range tables {
			b, err := image.ReadSectors(d, at(x, 1))
			if err != nil {
				t.Fatal(err)
			}
			for _, v := range numbers {
				if !inRuns([][]byte{b}, v) {
					t.Fatalf("%s: %d does not stand in sector %d", name, v, x)
				}
				if inRuns(runs, v) {
					t.Errorf("%s: %d in the table in sector %d counts as code", name, v, x)
				}
			}
		}
	}
}

func put(t *testing.T, d *imagetest.Disk, x disk.Sector, at int, v uint32) {
	t.Helper()
	b, err := image.ReadSectors(d, disk.Span{Start: x, Count: 1})
	if err != nil {
		t.Fatal(err)
	}
	binary.LittleEndian.PutUint32(b[at:], v)
	d.Put(x, b)
}

func inRuns(runs [][]byte, v uint32) bool {
	want := binary.LittleEndian.AppendUint32(nil, v)
	for _, r := range runs {
		if bytes.Contains(r, want) {
			return true
		}
	}
	return false
}
