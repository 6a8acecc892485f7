package mbr

import (
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout/layouttest"
)

// FuzzMBR reads any bytes as a disk: never a panic, a hang or an entry from
// nowhere; what parses comes back byte for byte; and a table that can be
// resized reads back with the sizes asked for.
func FuzzMBR(f *testing.F) {
	// A chain in the order of DR-DOS, short enough to be mutated quickly.
	small := imagetest.New(20, 512)
	putRecords(small, 0, rec{boot: 0x80, typ: 0x06, start: 1, count: 4}, rec{slot: 1, typ: 0x05, start: 5, count: 15})
	putRecords(small, 5, rec{typ: 0x05, start: 4, count: 4}, rec{slot: 1, typ: 0x06, start: 1, count: 3})
	putRecords(small, 9, rec{typ: 0x06, start: 1, count: 3}, rec{slot: 1, typ: 0x05, start: 9, count: 4})
	putRecords(small, 14, rec{typ: 0x83, start: 1, count: 3})
	b, err := image.ReadSectors(small, image.Whole(small))
	if err != nil {
		f.Fatal(err)
	}
	f.Add(b)
	chain := fixture(f, "chain.txt")
	head, err := image.ReadSectors(chain, disk.Span{Count: 1})
	if err != nil {
		f.Fatal(err)
	}
	f.Add(head)
	f.Add(append(bootSector(512, record), bootSector(512, record)...))
	f.Fuzz(func(t *testing.T, b []byte) {
		d := imagetest.NewBytes(b, 512)
		tab, err := Read(d)
		if (tab == nil) == (err == nil) {
			t.Fatal("a table or an error, not both and not neither")
		}
		if err != nil {
			return
		}
		if string(tab.Boot.Bytes()) != string(b[:512]) {
			t.Fatal("sector 0 comes back changed")
		}
		if err := layouttest.CheckTable(tab.Layout(), tab.Findings, Records*(1+maxLinks)); err != nil {
			t.Fatal(err)
		}
		own, changes := tab.Own(), map[int]disk.Sector{}
		for _, e := range tab.Layout().Entries {
			if e.Count < 1 || e.Start < 0 || !own.Holds(e.Table) {
				t.Fatalf("entry %+v, own sectors %v", e, own)
			}
			changes[e.Index] = e.Count
			if !e.Extended {
				changes[e.Index] = (e.Count + 1) / 2
			}
		}
		changed, _, err := tab.Resize(changes)
		if err != nil {
			return
		}
		for at, s := range changed {
			d.Put(at, s)
		}
		after := mustRead(t, d)
		for _, e := range after.Entries() {
			if e.Index < 5 && e.Count != changes[e.Index] {
				t.Fatalf("entry %d has %d sectors, want %d", e.Index, e.Count, changes[e.Index])
			}
		}
	})
}
