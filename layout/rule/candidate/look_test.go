package candidate_test

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"io"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/image/imagetest/need"
	"bootgraft/layout"
	"bootgraft/layout/rule/candidate"
	"bootgraft/layout/rule/compare/family"
)

func look(t testing.TB, src image.Source, areas []candidate.Area) *candidate.Report {
	t.Helper()
	r, err := candidate.Look(context.Background(), src, areas)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// ends returns the first and the last candidate.Reach bytes of a disk as areas; those of
// a small disk meet in its middle.
func ends(src image.Source) []candidate.Area {
	n := image.Sectors(src)
	half := min(disk.Sector(candidate.Reach/src.SectorSize()), n/2)
	head := candidate.Area{Span: disk.Span{Count: half}, From: layout.FromStart}
	tail := candidate.Area{Span: disk.Between(max(half, n-disk.Sector(candidate.Reach/src.SectorSize())), n),
		From: layout.FromEnd}
	if head.Empty() {
		return []candidate.Area{{Span: image.Whole(src), From: layout.FromStart}}
	}
	return []candidate.Area{head, tail}
}

// genuine tells whether a field lies where the family has a number, or where
// it has copied one to.
func genuine(f *family.Family, n disk.Sector, x layout.Field) bool {
	copies := map[disk.Sector][]disk.Sector{}
	for _, p := range f.Twins() {
		copies[disk.Sector(p[0])] = append(copies[disk.Sector(p[0])], n-disk.Sector(p[1]))
	}
	for _, k := range f.Numbers {
		s := disk.Sector(k.Sector)
		if k.FromEnd {
			s = n - s
		}
		if slices.Contains(append(copies[s], s), x.Sector) && x.Offset < k.Byte+k.Width && k.Byte < x.Offset+x.Width {
			return true
		}
	}
	return false
}

// Invented devices hold decoys: songs with 55 AA and the size of the disk.
// Nothing of them is ever shown, but numbers of the device are, and every
// copy and checksum that is shown is one on a disk of another size too.
func TestRandomFamilies(t *testing.T) {
	t.Parallel()
	fields, disks, fooled := 0, 0, 0
	for _, seed := range need.Seeds(40, 400) {
		f := family.Random(seed)
		sizes := family.Sizes(seed, 2)
		// An even clock would have the log name the size: no chance, but
		// nothing that one disk could tell from a field either.
		d := f.Disk(sizes[0], family.Unit{Serial: uint64(seed), Clock: 3, Songs: uint64(seed)})
		r := look(t, d, ends(d))
		disks++
		for _, x := range r.Fields {
			if genuine(f, sizes[0], x) {
				fields++
			} else {
				fooled++
				t.Logf("seed %d: no such number: %+v", seed, x)
			}
		}
		var covered disk.Spans
		for _, m := range r.Invariants() {
			if _, ok := m.(*candidate.Copy); ok {
				covered = covered.Union(m.Sectors(sizes[0]))
			}
		}
		for _, p := range f.Twins() {
			b, err := image.ReadSectors(d, disk.Span{Start: disk.Sector(p[0]), Count: 1})
			if err != nil {
				t.Fatal(err)
			}
			if at := sizes[0] - disk.Sector(p[1]); !covered.Holds(at) && len(b)-bytes.Count(b, []byte{0}) > 24 {
				t.Errorf("seed %d: the copy of sector %d at %d is not found", seed, p[0], at)
			}
		}
		other := f.Disk(sizes[1], family.Unit{Serial: 9, Clock: 8, Songs: 7})
		for _, x := range r.Invariants() {
			if ok, err := x.Holds(other); !ok || err != nil {
				t.Errorf("seed %d: not true of another disk of the family: %s (%v)", seed, x.Text(), err)
			}
		}
	}
	t.Logf("%d numbers shown on %d disks, %d by chance", fields, disks, fooled)
	if fields < disks {
		t.Error("too few numbers are found")
	}
	if fooled > disks/40 {
		t.Error("chance fools more than one disk in forty")
	}
}

// The second copy of family B: blocks in reverse order, sectors forward inside
// a block. Blocks: sector 0; 1; 2-4; 5-19; from 20 on one sector each.
func TestReversedBlocks(t *testing.T) {
	f := family.Named()[1]
	d := f.Disk(family.NamedSizes()[0], family.Unit{})
	var got []string
	for _, m := range look(t, d, ends(d)).Copies {
		got = append(got, m.Text())
	}
	want := []string{
		"2 sectors back from end-1 repeat those from sector 0 on, a block of a copy whose blocks lie in reverse order",
		"3 sectors from end-5 on repeat those from sector 2 on, a block of a copy whose blocks lie in reverse order",
		"15 sectors from end-20 on repeat those from sector 5 on, a block of a copy whose blocks lie in reverse order",
		"83 sectors back from end-22 repeat those from sector 21 on, a block of a copy whose blocks lie in reverse order",
	}
	if !slices.Equal(got, want) {
		t.Errorf("%s", strings.Join(got, "\n"))
	}
}

// want is a field that a test expects.
type want struct {
	sector   disk.Sector
	offset   int
	encoding string
	value    uint64
	meaning  string
}

func expect(t *testing.T, r *candidate.Report, all ...want) {
	t.Helper()
	for _, w := range all {
		if !slices.ContainsFunc(r.Fields, func(f layout.Field) bool {
			return f.Sector == w.sector && f.Offset == w.offset && f.Encoding == w.encoding && f.Value == w.value &&
				strings.Contains(f.Meaning, w.meaning) && f.ByChance > 0 && f.ByChance <= candidate.Bar
		}) {
			t.Errorf("no %+v among %+v", w, r.Fields)
		}
	}
}

// The numbers of a drive of 39,070,080 sectors (arithmetic): N = 02542980,
// N-1 = 0254297F, bytes 20,003,880,960 = 04A8530000, N/1008 = 38,760 = 9768.
// Numbers of three bytes and less, as N/64 = 610,470 or 19,077 MiB, stand in
// any sector too often by chance: one disk cannot show them.
func TestWorkedValues(t *testing.T) {
	const n = 39_070_080
	for _, c := range []struct {
		bytes string
		want  want
	}{
		{"\x02\x54\x29\x80", want{0, 64, "be32", n, "sectors of the disk"}},
		{"\x80\x29\x54\x02", want{0, 64, "le32", n, "sectors of the disk"}},
		{"\x54\x02\x80\x29", want{0, 64, "be32-swap16", n, "sectors of the disk"}},
		{"\x02\x54\x29\x7F", want{0, 64, "be32", n - 1, "last sector"}},
		{"\x00\x00\x53\xA8\x04\x00\x00\x00", want{0, 64, "le64", n * 512, "bytes of the disk"}},
		{"\x39\x07\x00\x80", want{0, 64, "bcd4", n, "sectors of the disk"}},
		{"39070080", want{0, 64, "dec8", n, "sectors of the disk"}},
		{"0254297F", want{0, 64, "HEX8", n - 1, "last sector"}},
		{"\x97\x68\x00\x10\x00\x3F", want{0, 64, "be16", 38_760, "cylinders of 16 heads and 63 sectors"}},
	} {
		t.Run(c.want.encoding+" "+c.want.meaning, func(t *testing.T) {
			d := imagetest.New(n, 512)
			d.Put(0, code(rand.New(rand.NewPCG(1, 1)), 4*512))
			sector := make([]byte, 512)
			copy(sector, "\x00\x11invented\x00\x00\x00\x01")
			copy(sector[60:], "\xA5\xA5\xA5\xA5"+c.bytes+"\xA5\xA5\xA5\xA5")
			d.Put(0, sector)
			expect(t, look(t, d, ends(d)), c.want)
		})
	}
}

// Family D: byte 0x20C from the start is the big-endian address of a block of
// firmware. Family C: a directory of such addresses.
func TestAddresses(t *testing.T) {
	r := rand.New(rand.NewPCG(4, 4))
	d := imagetest.New(1_179_840, 512)
	const firmware = 1_150_003
	d.Put(firmware, code(r, 1<<20))
	head := make([]byte, 1024)
	copy(head, "INVENTED TUNER  ")
	binary.BigEndian.PutUint32(head[0x20C:], firmware)
	d.Put(0, head)
	expect(t, look(t, d, ends(d)), want{1, 0x0C, "be32", firmware, "address of sector 1150003"})

	songs := imagetest.New(1_179_840, 512)
	directory := make([]byte, 512)
	copy(directory, "SONGS")
	var all []want
	for i, at := range []disk.Sector{70_011, 81_234, 93_456, 110_055} {
		songs.Put(at, code(r, 64<<10))
		binary.BigEndian.PutUint32(directory[16+4*i:], uint32(at))
		all = append(all, want{0x201, 16 + 4*i, "be32", uint64(at), "address of"})
	}
	songs.Put(0x201, directory)
	expect(t, look(t, songs, []candidate.Area{{Span: image.Whole(songs).Common(disk.Span{Count: 120_000})}}), all...)
}

// chained is family F: pairs of start and length, the first absolute, the rest
// relative to it, without gap; the last one ends with the disk.
func chained(n disk.Sector) *imagetest.Disk {
	const start = 0x20000
	d := imagetest.New(n, 512)
	b := make([]byte, 512)
	copy(b, "INVENTED DISC   ")
	pairs := []uint32{start, uint32(n) - start, 0, 0x4321, 0x4321, 0x1BEEF, 0x4321 + 0x1BEEF, 0}
	pairs[7] = uint32(n) - start - pairs[6]
	for i, v := range pairs {
		binary.BigEndian.PutUint32(b[32+4*i:], v)
	}
	d.Put(2, b)
	d.Put(0, code(rand.New(rand.NewPCG(6, 6)), 1024))
	return d
}

func TestChain(t *testing.T) {
	d := chained(1_179_841)
	r := look(t, d, ends(d))
	if len(r.Chains) != 1 {
		t.Fatalf("chains %+v", r.Chains)
	}
	c := r.Chains[0]
	if c.At != (candidate.Place{From: layout.FromStart, Sector: 2, Byte: 40}) || c.Records != 3 || c.Encoding != "be32" ||
		c.FromEnd != 0 || c.Base == nil || c.Total == nil || c.ByChance > candidate.Bar {
		t.Errorf("%+v", c)
	}
	invariant := r.Invariants()[len(r.Copies)]
	if ok, err := invariant.Holds(chained(1_300_007)); !ok || err != nil {
		t.Errorf("not true of a larger disk of the family: %v", err)
	}
	stale := imagetest.New(1_300_007, 512)
	b, err := image.ReadSectors(d, disk.Span{Count: 3})
	if err != nil {
		t.Fatal(err)
	}
	stale.Put(0, b)
	if ok, err := invariant.Holds(stale); ok || err != nil {
		t.Errorf("a chain that names the old size is said to end with the disk (%v)", err)
	}
}

// A copy left behind is no copy of what was changed, and one that is at the
// old place is not before the end.
func TestMirrorLeftBehind(t *testing.T) {
	f := family.Named()[1]
	sizes := family.NamedSizes()
	d := f.Disk(sizes[0], family.Unit{})
	invariants := look(t, d, ends(d)).Invariants()
	if len(invariants) != 4 || invariants[0].Code() != disk.CopyLeftBehind {
		t.Fatalf("%v", invariants)
	}
	larger := f.Disk(sizes[1], family.Unit{})
	for _, x := range invariants {
		if ok, err := x.Holds(larger); !ok || err != nil {
			t.Errorf("%s: %v %v", x.Text(), ok, err)
		}
	}
	if _, err := larger.WriteAt([]byte{0x5A}, 3*512+7); err != nil {
		t.Fatal(err)
	}
	if ok, err := invariants[1].Holds(larger); ok || err != nil {
		t.Errorf("the first copy was changed alone, and both are said to agree (%v)", err)
	}
	small := imagetest.New(10, 512)
	for _, x := range invariants[2:] {
		if ok, err := x.Holds(small); ok || err != nil {
			t.Errorf("%s: true of a disk without such sectors (%v)", x.Text(), err)
		}
	}
}

// What is not known is no data: nothing is found in it, it divides
// structures, and a invariant about it cannot be told.
func TestUnknownSectors(t *testing.T) {
	f := family.Named()[1]
	d := f.Disk(family.NamedSizes()[0], family.Unit{})
	lost := disk.NewSpans(disk.Span{Start: 3, Count: 1}, disk.Span{Start: 30, Count: 5})
	src := image.NewKnown(d, lost, nil)
	r := look(t, src, ends(src))
	if r.Unknown != 6 {
		t.Errorf("%d sectors not known, want 6", r.Unknown)
	}
	for _, x := range r.Invariants() {
		for _, s := range x.Sectors(image.Sectors(src)) {
			if hit := lost.Within(s); len(hit) > 0 {
				t.Errorf("%s rests on sectors %v, which are not known", x.Text(), hit)
			}
		}
	}
	if !slices.ContainsFunc(r.Structures, func(s candidate.Structure) bool {
		return s.Span == lost[1] &&
			s.Looks == "not known"
	}) {
		t.Error("the sectors that are not known are no structure of their own")
	}
	whole := look(t, d, ends(d)).Invariants()
	var unknown *image.UnknownError
	if ok, err := whole[1].Holds(src); ok || !errors.As(err, &unknown) {
		t.Errorf("a copy of an unknown sector: %v, %v", ok, err)
	}
}

// A failed read is an error that names its sectors, never data.
func TestReadErrors(t *testing.T) {
	d := family.Named()[1].Disk(family.NamedSizes()[0], family.Unit{})
	bad := &imagetest.Faulty{Source: d, Bad: disk.NewSpans(disk.Span{Start: 7, Count: 1})}
	if r, err := candidate.Look(context.Background(), bad, ends(bad)); !errors.Is(err, io.ErrUnexpectedEOF) || r != nil {
		t.Errorf("%v, %v", r, err)
	}
}
