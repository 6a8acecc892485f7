package card

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"io"
	"math/rand/v2"
	"strings"
	"sync"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/image/imagetest/need"
	"bootgraft/layout"
	"bootgraft/layout/plan"
)

// naive is a planned card built sector by sector, with none of the code under
// test, and what is unknown of it in both views.
type naive struct {
	plan    *plan.Plan
	src     image.Source
	bytes   []byte
	state   []image.State // of every sector as it will be; "" if known
	missing []bool        // zeros that stand for missing sectors
}

// random makes a plan and its source from a seed.
func random(t *testing.T, seed int64) naive {
	t.Helper()
	r := rand.New(rand.NewPCG(uint64(seed), 0))
	size := 512 << r.IntN(4)
	drive := imagetest.New(disk.Sector(1+r.IntN(3000)), size)
	for range r.IntN(40) {
		data := make([]byte, size)
		for i := range data {
			data[i] = byte(r.Uint32())
		}
		drive.Put(disk.Sector(r.IntN(int(image.Sectors(drive)))), data)
	}
	var lost disk.Spans
	for range r.IntN(5) {
		lost = lost.Add(disk.Span{Start: disk.Sector(r.IntN(int(image.Sectors(drive)))), Count: 1})
	}
	src := image.NewKnown(drive, lost, func(x disk.Sector) image.State {
		if x%2 == 0 {
			return image.Missing
		}
		return image.Skipped
	})
	n := naive{src: src}
	sectors := disk.Sector(1 + r.IntN(5000))
	digest := sha256.Sum256(nil)
	b := plan.NewBuilder(plan.Size{Sectors: sectors, SectorSize: size}, plan.Source{
		Size: plan.Size{Sectors: image.Sectors(src), SectorSize: size}, Digest: hex.EncodeToString(digest[:])})
	for b.At() < sectors {
		n.piece(r, b, drive, lost, sectors)
	}
	var err error
	if n.plan, err = b.Plan(); err != nil {
		t.Fatal(err)
	}
	return n
}

func (n *naive) piece(r *rand.Rand, b *plan.Builder, drive *imagetest.Disk, lost disk.Spans, sectors disk.Sector) {
	at, size := b.At(), drive.SectorSize()
	s := disk.Span{Start: at, Count: 1 + disk.Sector(r.IntN(min(200, int(sectors-at))))}
	edge := disk.Sector(plan.Edge / size)
	switch op := r.IntN(5); {
	case op == 0:
		s.Count = min(s.Count, image.Sectors(drive))
		from := disk.Sector(r.IntN(int(image.Sectors(drive)-s.Count) + 1))
		b.Copy(s, from, layout.WhyUnchanged, layout.RankData)
		for x := from; x < from+s.Count; x++ {
			data, _ := image.ReadSectors(drive, disk.Span{Start: x, Count: 1})
			var state image.State
			if lost.Holds(x) {
				state = image.Skipped
				if x%2 == 0 {
					state = image.Missing
				}
			}
			n.sector(data, state, false)
		}
	case op == 1:
		for x := s.Start; x < s.End(); x++ {
			data := bytes.Repeat([]byte{byte(x), byte(r.Uint32())}, size/2)
			b.Render(x, data, layout.WhyVolume, layout.RankData)
			n.sector(data, "", false)
		}
	case op == 2 && at >= edge && s.End() <= sectors-edge:
		b.Leave(s, layout.WhyExcess, layout.RankData)
		n.same(s.Count, size, image.Left, false)
	case op == 3:
		b.Zero(s, layout.WhyMissing, layout.RankData)
		n.same(s.Count, size, "", true)
	default:
		b.Zero(s, layout.WhyExcess, layout.RankData)
		n.same(s.Count, size, "", false)
	}
}

func (n *naive) sector(data []byte, state image.State, missing bool) {
	n.bytes = append(n.bytes, data...)
	n.state = append(n.state, state)
	n.missing = append(n.missing, missing)
}

func (n *naive) same(count disk.Sector, size int, state image.State, missing bool) {
	for range count {
		n.sector(make([]byte, size), state, missing)
	}
}

// unknown returns the state of a sector in a view.
func (n *naive) unknown(x disk.Sector, known bool) image.State {
	if known && n.missing[x] {
		return image.Missing
	}
	return n.state[x]
}

func TestCardIsWhatThePlanSays(t *testing.T) {
	for _, seed := range need.Seeds(40, 500) {
		n := random(t, seed)
		c, err := New(n.plan, n.src)
		if err != nil {
			t.Fatal(err)
		}
		for _, known := range []bool{false, true} {
			view := c
			if known {
				view = c.Known()
			}
			n.compareSectors(t, view, known)
			n.compareReads(t, view, known, seed)
			n.compareHoles(t, view, known)
			if t.Failed() {
				t.Fatalf("seed %d, known %v", seed, known)
			}
		}
	}
}

func (n *naive) compareSectors(t *testing.T, c *Card, known bool) {
	t.Helper()
	size := c.SectorSize()
	if int(c.Size()) != len(n.bytes) {
		t.Fatalf("the card has %d bytes, not %d", c.Size(), len(n.bytes))
	}
	var unknown disk.Spans
	for x := range image.Sectors(c) {
		want := n.unknown(x, known)
		if want != "" {
			unknown = unknown.Add(disk.Span{Start: x, Count: 1})
		}
		got, err := image.ReadSectors(c, disk.Span{Start: x, Count: 1})
		var u *image.UnknownError
		switch {
		case want == "" && err != nil:
			t.Fatalf("sector %d: %v", x, err)
		case want != "" && (!errors.As(err, &u) || u.Start != x || u.Count != 1 || u.State != want):
			t.Fatalf("sector %d is %s, but reading it gives %v", x, want, err)
		case want == "" && !bytes.Equal(got, n.bytes[int(x)*size:][:size]):
			t.Fatalf("sector %d differs", x)
		}
	}
	if got := c.Unknown(image.Whole(c)); !equal(got, unknown) {
		t.Fatalf("unknown sectors %v, want %v", got, unknown)
	}
	part := disk.Between(image.Sectors(c)/3, image.Sectors(c)*2/3)
	if got := c.Unknown(part); !equal(got, unknown.Within(part)) {
		t.Fatalf("unknown sectors in %s: %v, want %v", part, got, unknown.Within(part))
	}
}

func equal(a, b disk.Spans) bool {
	if len(a) != len(b) {
		return false
	}
	for i := range a {
		if a[i] != b[i] {
			return false
		}
	}
	return true
}

// compareReads reads at any byte, over the borders of pieces and past the end.
func (n *naive) compareReads(t *testing.T, c *Card, known bool, seed int64) {
	t.Helper()
	r := rand.New(rand.NewPCG(uint64(seed), 1))
	size := int64(c.SectorSize())
	for range 30 {
		off := r.Int64N(c.Size())
		buf := make([]byte, 1+r.IntN(150*int(size)))
		end := min(off+int64(len(buf)), c.Size())
		bad := disk.Sector(-1)
		for x := disk.Sector(off / size); int64(x)*size < end && bad < 0; x++ {
			if n.unknown(x, known) != "" {
				bad = x
			}
		}
		got, err := c.ReadAt(buf, off)
		var u *image.UnknownError
		switch {
		case bad >= 0 && (!errors.As(err, &u) || u.Start != bad):
			t.Fatalf("%d bytes at %d: sector %d is not known, but the read gives %v", len(buf), off, bad, err)
		case bad >= 0:
			end = off + int64(got)
		case err != nil && (err != io.EOF || off+int64(len(buf)) <= c.Size()):
			t.Fatalf("%d bytes at %d: %v", len(buf), off, err)
		case int64(got) != end-off:
			t.Fatalf("%d bytes at %d: only %d read", len(buf), off, got)
		}
		if !bytes.Equal(buf[:got], n.bytes[off:end]) {
			t.Fatalf("%d bytes at %d differ", len(buf), off)
		}
	}
}

// compareHoles walks the stored runs: what lies between is known and zero.
func (n *naive) compareHoles(t *testing.T, c *Card, known bool) {
	t.Helper()
	size := int64(c.SectorSize())
	for off := int64(0); off < c.Size(); {
		start, end := c.NextData(off)
		if start < off || end < start || end > c.Size() || end == start && start != c.Size() {
			t.Fatalf("NextData(%d) = %d, %d of %d", off, start, end, c.Size())
		}
		for at := off; at < start; at = (at/size + 1) * size {
			x := disk.Sector(at / size)
			hole := n.bytes[at:min(start, int64(x+1)*size)]
			if len(bytes.Trim(hole, "\x00")) > 0 || n.unknown(x, known) != "" {
				t.Fatalf("sector %d lies in a hole from %d to %d, but is stored or unknown", x, off, start)
			}
		}
		off = max(end, start)
	}
}

func TestHolesAreNotStored(t *testing.T) {
	drive := imagetest.New(1000, 512)
	drive.Put(512, []byte{1})
	b := plan.NewBuilder(plan.Size{Sectors: 3000, SectorSize: 512},
		plan.Source{Size: plan.Size{Sectors: 1000, SectorSize: 512}, Digest: hex.EncodeToString(make([]byte, 32))})
	b.Copy(disk.Span{Count: 1000}, 0, layout.WhyUnchanged, layout.RankData)
	b.Zero(disk.Span{Start: 1000, Count: 1500}, layout.WhyExcess, layout.RankData)
	b.Zero(disk.Span{Start: 2500, Count: 500}, layout.WhyMissing, layout.RankData)
	p, err := b.Plan()
	if err != nil {
		t.Fatal(err)
	}
	c, err := New(p, drive)
	if err != nil {
		t.Fatal(err)
	}
	if start, end := c.NextData(0); start != 512*512 || end != 640*512 {
		t.Errorf("first stored run %d to %d, want the page of sector 512", start, end)
	}
	if start, _ := c.NextData(640 * 512); start != c.Size() {
		t.Errorf("zeros count as stored from %d on", start)
	}
	if start, end := c.Known().NextData(640 * 512); start != 2500*512 || end != c.Size() {
		t.Errorf("missing sectors must not be a hole of the known view: %d to %d", start, end)
	}
}

func TestConcurrentReads(t *testing.T) {
	n := random(t, 7)
	var file bytes.Buffer
	if err := plan.Encode(&file, n.plan); err != nil {
		t.Fatal(err)
	}
	p, err := plan.Decode(bytes.NewReader(file.Bytes()), int64(file.Len())) // rendered bytes come from the file
	if err != nil {
		t.Fatal(err)
	}
	n.plan = p
	c, err := New(p, n.src)
	if err != nil {
		t.Fatal(err)
	}
	var wait sync.WaitGroup
	for seed := range int64(4) {
		wait.Go(func() { n.compareReads(t, c, false, seed) })
	}
	wait.Wait()
}

func TestReadsDoNotAllocate(t *testing.T) {
	n := random(t, 3)
	n.state = nil
	disk := imagetest.New(n.plan.Source.Sectors, n.plan.Source.SectorSize) // every sector is known
	c, err := New(n.plan, disk)
	if err != nil {
		t.Fatal(err)
	}
	end := c.Size()
	if left := c.Unknown(image.Whole(c)); len(left) > 0 {
		end = int64(left[0].Start) * c.size
	}
	buf := make([]byte, end)
	if per := testing.AllocsPerRun(20, func() {
		if _, err := c.ReadAt(buf, 0); err != nil {
			t.Error(err)
		}
	}); per > 0 {
		t.Errorf("%v allocations a read of %d bytes", per, end)
	}
}

func TestStale(t *testing.T) {
	drive := imagetest.NewBytes(bytes.Repeat([]byte("0123456789abcdef"), 32*100), 512)
	meaning := disk.Spans{{Start: 0, Count: 1}, {Start: 63, Count: 4}}
	// The digest is computed here from the bytes alone.
	sum := sha256.Sum256(bytes.Repeat([]byte("0123456789abcdef"), 32*5))
	b := plan.NewBuilder(plan.Size{Sectors: 100, SectorSize: 512}, plan.Source{
		Size: plan.Size{Sectors: 100, SectorSize: 512}, Meaning: meaning, Digest: hex.EncodeToString(sum[:])})
	b.Copy(disk.Span{Count: 100}, 0, layout.WhyUnchanged, layout.RankData)
	p, err := b.Plan()
	if err != nil {
		t.Fatal(err)
	}
	if err := Stale(p, drive); err != nil {
		t.Fatalf("the source itself is stale: %v", err)
	}
	drive.Put(62, []byte("another byte in a sector without meaning"))
	if err := Stale(p, drive); err != nil {
		t.Errorf("a sector without meaning makes the plan stale: %v", err)
	}
	lost := image.NewKnown(drive, disk.Spans{{Start: 66, Count: 1}}, nil)
	var unknown *image.UnknownError
	if err := Stale(p, lost); !errors.As(err, &unknown) || unknown.Start != 66 {
		t.Errorf("sector 66 is not known, and Stale says %v", err)
	}
	drive.Put(66, []byte("x"))
	cases := map[Mismatch]image.Source{
		OtherMeaning:    drive,
		OtherSize:       imagetest.New(101, 512),
		OtherSectorSize: imagetest.New(100, 1024),
	}
	for what, src := range cases {
		var stale *StaleError
		if err := Stale(p, src); !errors.As(err, &stale) || stale.What != what || stale.Have == stale.Want ||
			!strings.Contains(err.Error(), stale.Have) || !strings.Contains(err.Error(), stale.Want) {
			t.Errorf("%s: %v", what, err)
		}
		if _, err := New(p, src); (err == nil) != (what == OtherMeaning) {
			t.Errorf("New with another %s: %v", what, err)
		}
	}
}
