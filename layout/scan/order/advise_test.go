package order_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os/exec"
	"strings"
	"testing"

	"bootgraft/image"
	"bootgraft/image/capture"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/image/imagetest/need"
	"bootgraft/layout/layouttest/disks"
	"bootgraft/layout/scan/order"
	"bootgraft/layout/table/mbr"
	"bootgraft/layout/volume/fat"
	"bootgraft/layout/volume/fat/format"
)

const sectors, start, length = 600_000, 63, 560_000

// recorder is a disk with boot sectors in the gap, a FAT32 volume and a tail.
func recorder(t *testing.T) *imagetest.Disk {
	t.Helper()
	d := imagetest.New(sectors, 512)
	v, err := format.New(io.NewOffsetWriter(d, start*512), format.Options{Sectors: length, Kind: fat.FAT32, SectorsPerCluster: 4, Hidden: start})
	if err != nil {
		t.Fatal(err)
	}
	for i := range 5 {
		dir := fmt.Sprintf("TAPE%d", i)
		if err := v.Mkdir(dir, format.File{}); err != nil {
			t.Fatal(err)
		}
		for j := range 20 {
			body := bytes.Repeat([]byte{byte(i), byte(j)}, 5000)
			if err := v.Add(fmt.Sprintf("%s/SONG%02d.WAV", dir, j), bytes.NewReader(body), int64(len(body)), format.File{Fragment: j % 3}); err != nil {
				t.Fatal(err)
			}
		}
	}
	if err := v.Close(); err != nil {
		t.Fatal(err)
	}
	boot := make([]byte, 512)
	boot[510], boot[511] = 0x55, 0xAA
	s, err := mbr.Parse(boot)
	if err != nil {
		t.Fatal(err)
	}
	boot = s.Bytes()
	copy(boot[446:], []byte{0x80, 1, 1, 0, 0x0C, 0xFE, 0xFF, 0xFF, start, 0, 0, 0, length & 0xFF, length >> 8 & 0xFF, length >> 16 & 0xFF, 0})
	d.Put(0, boot)
	d.Put(5, bytes.Repeat([]byte("BOOT"), 128))
	d.Put(sectors-10, bytes.Repeat([]byte("TAIL"), 128))
	return d
}

// follow asks the advisor as a capture does: everything that it names gets
// known, and it is asked again until it names nothing new.
func follow(t *testing.T, d image.Source, a *order.Advisor, bad disk.Spans) (inOrder []capture.Wish, known disk.Spans) {
	t.Helper()
	whole := image.Whole(d)
	for round := 0; ; round++ {
		if round > 200 {
			t.Fatal("the advisor never comes to an end")
		}
		state := func(x disk.Sector) image.State {
			if bad.Holds(x) && known.Holds(x) {
				return image.Missing
			}
			return image.Unread
		}
		unknown := known.Outside(whole).Union(badKnown(bad, known))
		fresh := false
		wishes, err := a.Next(t.Context(), image.NewKnown(d, unknown, state))
		if err != nil {
			t.Fatal(err)
		}
		for _, w := range wishes {
			if w.Start < 0 || w.End() > whole.Count || w.Empty() {
				t.Fatalf("a wish for sectors %s of a disk of %d", w.Span, whole.Count)
			}
			if disk.NewSpans(w.Span).Union(known).Sectors() > known.Sectors() {
				inOrder = append(inOrder, w)
				fresh = true
			}
			known = known.Union(disk.Spans{w.Span})
		}
		if !fresh {
			return inOrder, known
		}
	}
}

// badKnown returns the bad sectors that were tried.
func badKnown(bad, tried disk.Spans) disk.Spans {
	var out disk.Spans
	for _, b := range bad {
		out = out.Union(tried.Within(b))
	}
	return out
}

// TestTailBehindABlankGap: the tail is a boot area, although the gap in front of
// it is longer than a head or a tail, and only its last sector tells that there
// is one.
func TestTailBehindABlankGap(t *testing.T) {
	const ends = 1000
	d := recorder(t)
	_, known := follow(t, d, &order.Advisor{Ends: capture.Ends{Head: ends * 512, Tail: ends * 512}}, nil)
	for _, s := range []disk.Span{{Start: 0, Count: start}, {Start: start + length, Count: ends}, {Start: sectors - ends, Count: ends}} {
		if missed := known.Outside(s); len(missed) > 0 {
			t.Errorf("boot areas that nobody asked for: %v", missed)
		}
	}
	if n := known.Sectors(); n > 20_000 {
		t.Errorf("%d sectors are called boot areas and tables", n)
	}
}

// TestOrder: tables before gaps, allocation tables before directories, and
// every file is named, while free space is not.
func TestOrder(t *testing.T) {
	d := recorder(t)
	inOrder, known := follow(t, d, &order.Advisor{Files: true}, nil)
	if first := inOrder[0]; first.Start != 0 || first.Class != capture.Boot {
		t.Errorf("first comes %s %s, want sector 0", first.Class, first.Span)
	}
	at := func(x disk.Sector) int {
		for i, w := range inOrder {
			if w.Holds(x) {
				return i
			}
		}
		t.Fatalf("sector %d is never named", x)
		return 0
	}
	v, err := fat.Read(image.NewWindow(d, disk.Span{Start: start, Count: length}))
	if err != nil {
		t.Fatal(err)
	}
	gap, tail, table := at(5), at(sectors-10), at(start+v.TableSpan(0).Start)
	root := at(start + v.Cluster(2).Start)
	table2, err := v.LoadTable(0)
	if err != nil {
		t.Fatal(err)
	}
	var used disk.Sector
	for f := range v.NewWalk(table2, fat.WalkOptions{}).Files() {
		for _, e := range f.Extents() {
			used += e.Count
			i := at(start + e.Start)
			want := capture.Files
			if f.Dir {
				want = capture.Directories
			}
			if inOrder[i].Class != want {
				t.Errorf("%s is named as %s, want %s", f.Path, inOrder[i].Class, want)
			}
			if i < table {
				t.Errorf("%s is named before the allocation table", f.Path)
			}
			if i < root {
				t.Errorf("%s is named before its directory", f.Path)
			}
		}
	}
	if gap > table || tail > table {
		t.Errorf("gap %d, tail %d, allocation table %d: out of order", gap, tail, table)
	}
	if free := known.Within(disk.Span{Start: start, Count: length}).Sectors() - used; free > 4*v.TableSpan(0).Count {
		t.Errorf("%d sectors of the volume beyond its files are named", free)
	}
}

// TestBadSectors: whatever cannot be read, the advisor comes to an end and
// names the rest.
func TestBadSectors(t *testing.T) {
	d := recorder(t)
	for _, bad := range []disk.Spans{
		{{Start: 0, Count: 1}}, {{Start: start, Count: 1}}, {{Start: start + 40, Count: 30}}, {{Start: 0, Count: 2000}}, {{Start: 0, Count: sectors}},
	} {
		inOrder, known := follow(t, d, &order.Advisor{Files: true}, bad)
		if len(inOrder) == 0 || !known.Holds(0) {
			t.Errorf("bad %v: %d wishes", bad, len(inOrder))
		}
	}
}

// TestUnknownLayout: without a table the ends come, and nothing else.
func TestUnknownLayout(t *testing.T) {
	d := imagetest.New(sectors, 512)
	d.Put(1, bytes.Repeat([]byte("HEAD"), 128))
	_, known := follow(t, d, &order.Advisor{Ends: capture.Ends{Head: 1 << 20, Tail: 2 << 20}, Files: true}, nil)
	for _, s := range []disk.Span{{Count: 2048}, {Start: sectors - 4096, Count: 4096}} {
		if len(known.Outside(s)) > 0 {
			t.Errorf("sectors %s are not all named", s)
		}
	}
	if n := known.Sectors(); n > 10_000 {
		t.Errorf("%d sectors are named", n)
	}
}

// TestChain: every link of an extended chain made by sfdisk is followed, and
// an ext2 volume made by mke2fs is named down to its files.
func TestChain(t *testing.T) {
	sfdisk, mke2fs := need.Tool(t, "sfdisk"), need.Tool(t, "mke2fs")
	run := func(stdin, name string, args ...string) {
		t.Helper()
		cmd := exec.Command(name, args...)
		cmd.Stdin = strings.NewReader(stdin)
		if out, err := cmd.CombinedOutput(); err != nil {
			t.Fatalf("%s: %v\n%s", name, err, out)
		}
	}
	img := imagetest.Save(t, imagetest.New(400_000, 512))
	var script strings.Builder
	script.WriteString("label: dos\nstart=2048, size=40000, type=83\nstart=50000, size=340000, type=5\n")
	for i := range 8 {
		fmt.Fprintf(&script, "start=%d, size=20000, type=83\n", 52_000+i*40_000)
	}
	run(script.String(), sfdisk, "-q", img)
	run("", mke2fs, "-q", "-F", "-E", "offset=1048576", img, "20000k")
	disk, err := image.Open(img, 512)
	if err != nil {
		t.Fatal(err)
	}
	defer disk.Close()
	inOrder, known := follow(t, disk, &order.Advisor{Files: true}, nil)
	table, err := mbr.Read(disk)
	if err != nil {
		t.Fatal(err)
	}
	if got := len(table.Entries()); got != 10 {
		t.Fatalf("%d entries", got)
	}
	for _, own := range table.Own() {
		if len(known.Outside(own)) > 0 {
			t.Errorf("table sectors %s are not named by %d wishes", own, len(inOrder))
		}
	}
	if !known.Holds(2048 + 2) {
		t.Error("the superblock is not named")
	}
}

// An image that cannot be read back is an error and no disk without a table; and a
// survey ends when its context does.
func TestNextFails(t *testing.T) {
	d := imagetest.New(20_000, 512)
	disks.MBR(d, disks.Entry{Span: disk.Span{Start: 63, Count: 15_000}, Type: 6})
	broken := errors.New("the disk of the image is broken")
	a := &order.Advisor{Files: true}
	for _, x := range []disk.Sector{0, 1, 40, 19_999} {
		src := &imagetest.Faulty{Source: d, Bad: disk.NewSpans(disk.Span{Start: x, Count: 1}), Err: broken}
		if w, err := a.Next(t.Context(), src); !errors.Is(err, broken) {
			t.Errorf("sector %d: %v, %v", x, w, err)
		}
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if w, err := a.Next(ctx, d); !errors.Is(err, context.Canceled) {
		t.Errorf("%v, %v", w, err)
	}
}
