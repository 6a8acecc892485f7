package gpt

import (
	"bytes"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout/layouttest"
)

// fuzzSectors is the size of a fuzzed disk: its input is the first and the
// last 34 sectors of it.
const fuzzSectors, fuzzHead = 5000, 34 * 512

// FuzzGPT reads any bytes as both ends of a disk: never a panic, a hang or a
// large allocation; a table renders at its own size to what was read, and at
// a larger size to one that reads back with the same entries. The check
// numbers are put right first: with wrong ones nothing would be reached.
func FuzzGPT(f *testing.F) {
	for _, s := range []spec{
		usual(fuzzSectors, 512, [2]uint64{100, 199}, [2]uint64{300, 4966}),
		usual(fuzzSectors, 512),
	} {
		d := s.disk()
		head, err := image.ReadSectors(d, disk.Span{Count: 34})
		if err != nil {
			f.Fatal(err)
		}
		tail, err := image.ReadSectors(d, disk.Between(fuzzSectors-34, fuzzSectors))
		if err != nil {
			f.Fatal(err)
		}
		f.Add(append(head, tail...), true)
		f.Add(head, false)
	}
	f.Fuzz(func(t *testing.T, b []byte, right bool) {
		d := fuzzDisk(b, right)
		tab, err := Read(d)
		if (tab == nil) == (err == nil) {
			t.Fatal("a table or an error, not both and not neither")
		}
		if err != nil {
			return
		}
		if err := layouttest.CheckTable(tab.Layout(), tab.Findings, maxArray/minEntrySize); err != nil {
			t.Fatal(err)
		}
		if tab.Primary.Valid() && tab.Backup.Valid() {
			r, err := tab.Render(fuzzSectors, nil, nil)
			if err != nil {
				t.Fatal(err)
			}
			equalTables(t, "same size", d, r)
		}
		r, err := tab.Render(fuzzSectors+1000, nil, nil)
		if err != nil {
			return
		}
		again, err := Read(apply(r, fuzzSectors+1000, 512))
		if err != nil {
			t.Fatal(err)
		}
		if !again.Primary.Valid() || !again.Backup.Valid() || codes(again.Findings)["gpt-copies-differ"] != 0 {
			t.Fatalf("rendered copies: %v, %v, %v", again.Primary.Fault, again.Backup.Fault, again.Findings)
		}
		if n := tab.InForce.Header.arrayBytes(); !bytes.Equal(again.InForce.array[:n], tab.InForce.array[:n]) {
			t.Fatal("the entries changed")
		}
	})
}

// fuzzDisk lays the input on both ends of a disk.
func fuzzDisk(b []byte, right bool) *imagetest.Disk {
	head, tail := b[:min(len(b), fuzzHead)], b[min(len(b), fuzzHead):min(len(b), 2*fuzzHead)]
	d := imagetest.Headed(head, fuzzSectors, 512)
	d.Put(fuzzSectors-34, tail)
	if !right {
		return d
	}
	for _, at := range []disk.Sector{1, fuzzSectors - 1} {
		sector, err := image.ReadSectors(d, disk.Span{Start: at, Count: 1})
		if err != nil {
			panic(err)
		}
		h := &Header{sector}
		if h.Size() < minHeaderSize || h.Size() > 512 || h.EntrySize() == 0 || h.checkArray(at, fuzzSectors) != nil {
			continue
		}
		array, err := image.ReadSectors(d, h.array())
		if err != nil {
			panic(err)
		}
		d.Put(at, signed(sector, array[:h.arrayBytes()]))
	}
	return d
}

// signed returns a header with CRCs that fit itself and an array.
func signed(header, array []byte) []byte {
	copy(header[88:], spec{sectorSize: 512}.header(array)[88:92])
	sign(header)
	return header
}
