package mbr

import (
	"errors"
	"slices"
	"testing"

	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
)

// M10, M11: the chain as sfdisk wrote it. By the kernel's rule
// (block/partitions/msdos.c) a link counts from the container, 40,320 +
// 219,679 = 259,999, and covers its boot record and the volume: 300,001.
func TestReadChain(t *testing.T) {
	tab := mustRead(t, fixture(t, "chain.txt"))
	want := []span{{1, 63, 40257}, {2, 40320, 900000}, {5, 40383, 200000}, {6, 260000, 300000}}
	if got := spans(tab); !slices.Equal(got, want) {
		t.Errorf("entries %v, want %v", got, want)
	}
	l := tab.Layout()
	if !slices.Equal(l.Own, disk.Spans{{Start: 0, Count: 1}, {Start: 40320, Count: 1}, {Start: 259999, Count: 1}}) {
		t.Errorf("own sectors %v", l.Own)
	}
	if got := tab.chain[0].sector.Record(1); got.Start != 219679 || got.Count != 300001 {
		t.Errorf("link %+v, want 219679+300001", got)
	}
	if len(tab.Findings) != 0 {
		t.Errorf("findings on a good table: %v", tab.Findings)
	}
	first, last := l.Entries[0], l.Entries[3]
	if first.Type != "0C" || first.TypeName != "FAT32, LBA" || !first.Active || first.Table != 0 || first.Offset != 446 {
		t.Errorf("first entry %+v", first)
	}
	if !l.Entries[1].Extended || last.Extended || last.Table != 259999 || last.Type != "83" {
		t.Errorf("container %+v, last %+v", l.Entries[1], last)
	}
	if l.Kind != "mbr" || l.SectorSize != 512 {
		t.Errorf("table %+v", l)
	}
}

// DR-DOS put the link first and OS/2 used all four records (comments in
// Linux, block/partitions/msdos.c).
func TestReadUnusualOrder(t *testing.T) {
	tab := mustRead(t, fixture(t, "drdos.txt"))
	want := []span{{1, 100, 900}, {5, 110, 100}, {6, 401, 50}, {7, 460, 50}, {8, 520, 50}, {9, 580, 50}}
	if got := spans(tab); !slices.Equal(got, want) {
		t.Errorf("entries %v, want %v", got, want)
	}
	if len(tab.Findings) != 0 {
		t.Errorf("findings: %v", tab.Findings)
	}
}

// All three codes of a container (util-linux, include/pt-mbr.h), and two
// containers on one disk.
func TestReadContainers(t *testing.T) {
	for _, code := range []byte{0x05, 0x0F, 0x85} {
		d := imagetest.New(1000, 512)
		putRecords(d, 0, rec{slot: 1, typ: code, start: 100, count: 300}, rec{slot: 3, typ: 0x05, start: 500, count: 300})
		putRecords(d, 100, rec{typ: 0x83, start: 1, count: 99}, rec{slot: 1, typ: code, start: 100, count: 100})
		putRecords(d, 200, rec{typ: 0x83, start: 2, count: 98})
		putRecords(d, 500, rec{typ: 0x83, start: 3, count: 97})
		tab := mustRead(t, d)
		want := []span{{2, 100, 300}, {4, 500, 300}, {5, 101, 99}, {6, 202, 98}, {7, 503, 97}}
		if got := spans(tab); !slices.Equal(got, want) || len(tab.Findings) != 0 {
			t.Errorf("type %02X: entries %v, want %v; findings %v", code, got, want, tab.Findings)
		}
	}
}

// container returns a disk with one container at 100+800.
func container(records ...rec) *imagetest.Disk {
	d := imagetest.New(1000, 512)
	putRecords(d, 0, rec{typ: 0x83, start: 10, count: 50}, rec{slot: 1, typ: 0x05, start: 100, count: 800})
	putRecords(d, 100, records...)
	return d
}

// Chains that lead nowhere. The rest of the disk is described all the same.
func TestBrokenChains(t *testing.T) {
	vol := rec{typ: 0x83, start: 1, count: 50}
	link := func(to, count uint32) rec { return rec{slot: 1, typ: 0x05, start: to, count: count} }
	long := imagetest.New(40000, 512)
	putRecords(long, 0, rec{slot: 1, typ: 0x05, start: 100, count: 39900})
	for i := range disk.Sector(5000) {
		putRecords(long, 100+2*i, rec{typ: 0x83, start: 1, count: 1}, link(uint32(2*i+2), 2))
	}
	empty := imagetest.New(1000, 512)
	putRecords(empty, 0, rec{slot: 1, typ: 0x05, start: 100, count: 800})
	for i := range disk.Sector(200) {
		putRecords(empty, 100+i, link(uint32(i+1), 1))
	}
	for _, c := range []struct {
		name    string
		d       *imagetest.Disk
		want    string // code
		logical int
	}{
		{"to itself", container(vol, link(0, 800)), "ebr-loop", 1},
		{"past the end", container(vol, link(2000000, 100)), "ebr-past-end", 1},
		{"just past the end", container(vol, link(900, 10)), "ebr-past-end", 1},
		{"end of 32 bits", container(vol, link(0xFFFFFFFF, 0xFFFFFFFF)), "ebr-past-end", 1},
		{"out of the container", container(vol, link(850, 10)), "ebr-outside-container", 1},
		{"to a blank sector", container(vol, link(200, 10)), "ebr-no-signature", 1},
		{"second link", container(vol, link(0, 800), rec{slot: 2, typ: 0x05, start: 300, count: 10}), "ebr-second-link", 1},
		{"volume outside", container(rec{typ: 0x83, start: 1, count: 850}), "logical-outside-container", 1},
		{"volume over its own record", container(rec{typ: 0x83, start: 0, count: 50}), "entry-covers-table", 1},
		{"rubbish in record 3", container(vol, rec{slot: 2, typ: 0x83, start: 500, count: 500}), "ebr-rubbish", 1},
		{"M12: 100 links without data", empty, "ebr-chain-empty", 0},
		{"endless", long, "ebr-chain-too-long", maxLinks},
	} {
		tab := mustRead(t, c.d)
		logical := 0
		for _, e := range tab.Layout().Entries {
			if e.Index >= 5 {
				logical++
			}
		}
		if codes(tab.Findings)[c.want] != 1 || logical != c.logical {
			t.Errorf("%s: %d logical volumes, want %d; findings %v, want %s", c.name, logical, c.logical, codes(tab.Findings), c.want)
		}
	}
}

// The third and fourth record count if they end where the run of the link
// ends, and not one sector later (Linux, block/partitions/msdos.c).
func TestThirdRecord(t *testing.T) {
	for count, want := range map[uint32]int{60: 2, 61: 1} {
		d := container(rec{typ: 0x05, start: 400, count: 100})
		putRecords(d, 500, rec{typ: 0x83, start: 1, count: 9}, rec{slot: 2, typ: 0x83, start: 40, count: count})
		tab := mustRead(t, d)
		if got := len(tab.Entries()) - 2; got != want || codes(tab.Findings)["ebr-rubbish"] != 2-want {
			t.Errorf("40+%d in a run of 100: %d volumes, want %d; findings %v", count, got, want, tab.Findings)
		}
	}
}

// Nor do they count outside the container, however long the link is.
func TestThirdRecordOutsideContainer(t *testing.T) {
	d := container(rec{typ: 0x05, start: 400, count: 500})
	putRecords(d, 500, rec{typ: 0x83, start: 1, count: 9}, rec{slot: 2, typ: 0x83, start: 350, count: 100})
	tab := mustRead(t, d)
	if got := len(tab.Entries()) - 2; got != 1 || codes(tab.Findings)["ebr-rubbish"] != 1 {
		t.Errorf("%d volumes, findings %v", got, tab.Findings)
	}
}

// M12: the kernel follows 100 links without data and not one more.
func TestHundredEmptyLinks(t *testing.T) {
	for links, want := range map[disk.Sector]int{100: 1, 101: 0} {
		d := imagetest.New(1000, 512)
		putRecords(d, 0, rec{slot: 1, typ: 0x05, start: 100, count: 800})
		for i := range links {
			putRecords(d, 100+i, rec{slot: 1, typ: 0x05, start: uint32(i + 1), count: 1})
		}
		putRecords(d, 100+links, rec{typ: 0x83, start: 10, count: 10})
		if got := len(mustRead(t, d).Layout().Entries) - 1; got != want {
			t.Errorf("after %d links without data: %d volumes, want %d", links, got, want)
		}
	}
}

// A chain that goes back is followed, as the kernel does; one that comes
// round again ends.
func TestChainGoesBack(t *testing.T) {
	d := container(rec{typ: 0x83, start: 1, count: 9}, rec{slot: 1, typ: 0x05, start: 400, count: 10})
	putRecords(d, 500, rec{typ: 0x83, start: 1, count: 9}, rec{slot: 1, typ: 0x05, start: 200, count: 10})
	putRecords(d, 300, rec{typ: 0x83, start: 1, count: 9}, rec{slot: 1, typ: 0x05, start: 400, count: 10})
	tab := mustRead(t, d)
	want := []span{{1, 10, 50}, {2, 100, 800}, {5, 101, 9}, {6, 501, 9}, {7, 301, 9}}
	if got := spans(tab); !slices.Equal(got, want) {
		t.Errorf("entries %v, want %v", got, want)
	}
	if c := codes(tab.Findings); c["ebr-order"] != 1 || c["ebr-loop"] != 1 {
		t.Errorf("findings %v", c)
	}
}

func TestUnreadableRecords(t *testing.T) {
	d := fixture(t, "chain.txt")
	broken := errors.New("medium error")
	tab, err := Read(&imagetest.Faulty{Source: d, Bad: disk.Spans{{Start: 259999, Count: 1}}, Err: broken})
	if err != nil {
		t.Fatal(err)
	}
	if c := codes(tab.Findings); c["ebr-unreadable"] != 1 {
		t.Errorf("findings %v", c)
	}
	if got := spans(tab); len(got) != 3 || !tab.Own().Holds(259999) {
		t.Errorf("entries %v, own %v", got, tab.Own())
	}
	tab, err = Read(&imagetest.Faulty{Source: d, Bad: disk.Spans{{Start: 0, Count: 1}}, Err: broken})
	if tab != nil || !errors.Is(err, broken) {
		t.Errorf("sector 0 unreadable: %v, %v", tab, err)
	}
}
