package fit

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"io"
	"maps"
	"math/rand/v2"
	"strings"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	rig "bootgraft/image/imagetest/need"
	"bootgraft/layout"
	"bootgraft/layout/layouttest/disks"
	"bootgraft/layout/plan"
	"bootgraft/layout/scan/files"
)

// crossed is a disk whose entries may share sectors, and what its maker knows
// of it.
type crossed struct {
	*imagetest.Disk
	sectors disk.Sector
	entries map[int]disk.Span
	fat     map[int]bool
	own     disk.Spans // sectors of the tables
	gpt     bool
}

// newCrossed makes a disk of up to four entries anywhere over each other: FAT
// volumes with files, content that nobody knows, chains of logical volumes.
func newCrossed(r *rand.Rand) *crossed {
	n := disk.Sector(12_000 + r.IntN(24_000))
	d := &crossed{Disk: imagetest.New(n, 512), sectors: n, entries: map[int]disk.Span{}, fat: map[int]bool{},
		gpt: r.IntN(3) == 0}
	end := n - disk.Sector(r.IntN(3000)) - 40
	var list []disks.Entry
	for i := range 1 + r.IntN(3) {
		e := disks.Entry{Span: d.place(r, list, end), Type: 0x0E}
		if d.fill(r, e.Span) {
			d.fat[i+1] = true
		} else {
			e.Type = 0x83
		}
		d.entries[i+1] = e.Span
		list = append(list, e)
	}
	if tail := disk.Between(end+40, n-34); r.IntN(2) == 0 && tail.Count > 10 {
		disks.Noise(d.Disk, disk.Span{Start: tail.End() - 5, Count: 5}, r.Uint64())
	}
	if d.gpt {
		disks.GPT(d.Disk, list...)
		d.own = disk.NewSpans(at(0, 34), at(n-33, 33))
		return d
	}
	d.own = disk.NewSpans(at(0, 1))
	if r.IntN(2) == 0 {
		list = append(list, d.chain(r, list, end))
	}
	disks.MBR(d.Disk, list...)
	return d
}

// place picks sectors for an entry: mostly behind the others, often over one.
func (d *crossed) place(r *rand.Rand, list []disks.Entry, end disk.Sector) disk.Span {
	start := disk.Sector(63)
	for _, e := range list {
		start = max(start, e.End())
	}
	if len(list) > 0 && (r.IntN(2) == 0 || end-start < 500) {
		over := list[r.IntN(len(list))]
		start = over.Start + disk.Sector(r.IntN(int(over.Count)))
	}
	most := max(end-start, 100)
	return disk.Span{Start: start, Count: 60 + disk.Sector(r.IntN(int(most-59)))}.Common(disk.Span{Count: end})
}

// fill puts a FAT volume or something else into an entry.
func (d *crossed) fill(r *rand.Rand, s disk.Span) bool {
	if s.Count > 800 && r.IntN(3) > 0 {
		v := s
		v.Count -= disk.Sector(r.IntN(100))
		disks.FAT(d.Disk, v, 0, r.IntN(60_000), r.IntN(30_000))
		return true
	}
	part := disk.Span{Start: s.Start, Count: 1 + disk.Sector(r.IntN(int(min(s.Count, 400))))}
	disks.Noise(d.Disk, part, r.Uint64())
	return false
}

// chain lays a container with one or two logical volumes down, over anything.
func (d *crossed) chain(r *rand.Rand, list []disks.Entry, end disk.Sector) disks.Entry {
	box := disks.Entry{Span: d.place(r, list, end), Type: 0x05}
	var logicals []disks.Entry
	at := box.Start
	for i := range 1 + r.IntN(2) {
		e := disks.Entry{Span: disk.Span{Start: at + 3, Count: 30 + disk.Sector(r.IntN(2000))}, Type: 0x83}
		if e.End() > end || at >= box.End() { // a link outside its container is none: its volume would be tail
			break
		}
		d.own = d.own.Add(disk.Span{Start: at, Count: 1})
		disks.Noise(d.Disk, disk.Span{Start: e.Start, Count: 20}, r.Uint64())
		d.entries[5+i] = e.Span
		logicals = append(logicals, e)
		at = e.End()
	}
	disks.Chain(d.Disk, box.Span, 3, logicals...)
	return box
}

// filesOf returns the SHA-256 of every file, by volume and path.
func filesOf(t testing.TB, src image.Source) map[string][32]byte {
	t.Helper()
	out := map[string][32]byte{}
	_, err := files.Walk(t.Context(), src, survey(t, src), files.Options{}, func(f *files.File) error {
		b, err := io.ReadAll(f.Reader())
		out[fmt.Sprintf("%d/%s", f.Volume, f.Path)] = sha256.Sum256(b)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// sectorAt returns a source sector or a card sector, nil if nobody knows it.
func sectorAt(src image.Source, x disk.Sector) []byte {
	b, err := image.ReadSectors(src, disk.Span{Start: x, Count: 1})
	if err != nil {
		return nil
	}
	return b
}

// lostOn returns the first sector in use of a disk that a planned card has not
// where it is looked for, or "". It knows what the maker of the disk knows and
// reads the card: nothing of the planner's own proof is in it.
func (d *crossed) lostOn(t testing.TB, w Wishes, p *plan.Plan) string {
	t.Helper()
	card := mustCard(t, p, d)
	changed := map[int]bool{}
	for index := range d.fat {
		for _, q := range p.Pieces {
			changed[index] = changed[index] || q.Overlaps(d.entries[index]) &&
				(q.Why == layout.WhyVolume || q.Why == layout.WhyVolumeMoved || q.Why == layout.WhyVolumeFree ||
					q.Why == layout.WhyEmptied)
		}
	}
	second := disk.Sector(0)
	if d.gpt {
		second = 33
	}
	for x := range d.sectors {
		b := sectorAt(d, x)
		if _, blank := image.Blank(b); blank || d.own.Holds(x) {
			continue
		}
		if x < w.Target.Sectors && bytes.Equal(sectorAt(card, x), b) {
			continue
		}
		owners, moved := 0, 0
		for index, e := range d.entries {
			if e.Holds(x) {
				owners++
				if changed[index] {
					moved = index
				}
			}
		}
		switch {
		case owners == 1 && moved > 0: // its files are compared
		case owners > 0:
			return fmt.Sprintf("sector %d of %d entries", x, owners)
		case w.Tail == TailDrop || w.Tail == TailSamePlace:
		default:
			if y := x + w.Target.Sectors - d.sectors; y < 0 || y >= w.Target.Sectors-second ||
				!bytes.Equal(sectorAt(card, y), b) {
				return fmt.Sprintf("sector %d outside the entries", x)
			}
		}
	}
	return d.otherFiles(t, w, card.Known(), changed)
}

// otherFiles compares the files of the volumes that changed, and the entries of
// the table, read byte by byte.
func (d *crossed) otherFiles(t testing.TB, w Wishes, card image.Source, changed map[int]bool) string {
	t.Helper()
	var before, after map[string][32]byte
	for index, is := range changed {
		if !is || w.Volumes.Wish[index].Empty {
			continue
		}
		if before == nil {
			before, after = filesOf(t, d), filesOf(t, card)
		}
		of := func(all map[string][32]byte) map[string][32]byte {
			out := maps.Clone(all)
			maps.DeleteFunc(out, func(name string, _ [32]byte) bool {
				return !strings.HasPrefix(name,
					fmt.Sprintf("%d/", index))
			})
			return out
		}
		if !maps.Equal(of(before), of(after)) {
			return fmt.Sprintf("files of entry %d", index)
		}
	}
	if d.gpt {
		return ""
	}
	for i := range 4 {
		was, is := sectorAt(d, 0)[446+16*i:], sectorAt(card, 0)[446+16*i:]
		end := disk.Sector(binary.LittleEndian.Uint32(is[8:])) + disk.Sector(binary.LittleEndian.Uint32(is[12:]))
		if !bytes.Equal(was[8:12], is[8:12]) || was[4] != is[4] || end > max(w.Target.Sectors, d.sectors) {
			return fmt.Sprintf("entry %d of the table", i+1)
		}
	}
	return ""
}

// planCrossed plans a disk of crossed entries, with what is asked accepted, and
// looks for what is lost.
func planCrossed(t testing.TB, seed, wish uint64) (planned bool) {
	t.Helper()
	d := newCrossed(rand.New(rand.NewPCG(seed, 21)))
	src := once(t, d)
	w := randomWishes(rand.New(rand.NewPCG(wish, 22)), src.s.Entries, d.sectors)
	p, err := tryPlan(t, src, w)
	for range 3 {
		if err == nil {
			break
		}
		r := IsRefused(err)
		for _, f := range r.Why {
			if f.Code == disk.CardShowsOther || f.Code == disk.SectorsLost {
				t.Errorf("seed %d, wish %d: the planning went wrong, and only its last step saw it: %v\n%v", seed, wish, err,
					d.entries)
			}
		}
		for _, f := range r.Need {
			w.Accept = append(w.Accept, f.Code)
		}
		p, err = tryPlan(t, src, w)
	}
	if err != nil {
		return false
	}
	if lost := d.lostOn(t, w, p); lost != "" {
		t.Errorf("seed %d, wish %d: %s: lost on %d of %d sectors, tail %q, %+v\n%v\n%+v", seed, wish, lost, w.Target.Sectors,
			d.sectors, w.Tail, w.Volumes.Wish, d.entries, p.Pieces)
	}
	return true
}

// Whatever lies over what, and whatever is asked: a plan loses no sector.
func TestPlansOfCrossedDisksLoseNothing(t *testing.T) {
	t.Parallel()
	planned := 0
	for _, seed := range rig.Seeds(20, 2000) {
		for wish := range uint64(4) {
			if planCrossed(t, uint64(seed), uint64(seed)*7+wish) {
				planned++
			}
		}
	}
	if planned < 20 {
		t.Errorf("%d of the disks could be planned: too few to prove anything", planned)
	}
}

func FuzzPlan(f *testing.F) {
	f.Add(uint64(1290), uint64(9033))
	f.Add(uint64(1797), uint64(12581))
	f.Add(uint64(192), uint64(203)) // a volume grew over a tail that stays where it was
	for seed := range uint64(6) {
		f.Add(seed, seed+100)
	}
	f.Fuzz(func(t *testing.T, seed, wish uint64) { planCrossed(t, seed, wish) })
}
