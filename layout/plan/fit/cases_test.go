package fit

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout"
	"bootgraft/layout/layouttest/disks"
	"bootgraft/layout/plan"
	"bootgraft/layout/table/gpt"
)

func at(start, count disk.Sector) disk.Span { return disk.Span{Start: start, Count: count} }

func entry(start, count disk.Sector) disks.Entry {
	return disks.Entry{Span: at(start, count), Type: 0x0C}
}

// withTail is an MBR disk of 20,000 sectors with a FAT volume that ends long
// before its entry, and a tail of 100 sectors.
func withTail() *imagetest.Disk {
	d := imagetest.New(20000, 512)
	disks.MBR(d, entry(63, 15000))
	disks.FAT(d, at(63, 9000), 0, 3000)
	disks.Noise(d, at(19900, 60), 1)
	return d
}

// noFAT takes the boot sector of the first volume away, so that nothing can
// shrink it.
func noFAT(d *imagetest.Disk) *imagetest.Disk {
	d.Put(63, make([]byte, 512))
	return d
}

func guid() *imagetest.Disk {
	d := imagetest.New(20000, 512)
	disks.GPT(d, entry(63, 15000), entry(15100, 500))
	disks.FAT(d, at(63, 15000), 0, 3000)
	disks.FAT(d, at(15100, 500), 0, 300)
	return d
}

// shape writes the pieces of a plan in one line: op, span, from and why.
func shape(p *plan.Plan) string {
	var out []string
	for _, q := range p.Pieces {
		text := fmt.Sprintf("%s %s", q.Op, q.Span)
		if q.Op == layout.Copy && q.From != q.Start {
			text += fmt.Sprintf(" from %d", q.From)
		}
		out = append(out, text+" "+q.Why.String())
	}
	return strings.Join(out, "\n")
}

func TestTailChoices(t *testing.T) {
	for _, c := range []struct {
		name   string
		target disk.Sector
		tail   Tail
		want   string
	}{
		{"larger: both", 30000, "", `copy 0+19900 unchanged
copy 19900+100 tail-kept
leave 20000+7952 excess
zero 27952+1948 excess
copy 29900+100 from 19900 tail-moved`},
		{"larger: end", 30000, TailEnd, `copy 0+19900 unchanged
leave 19900+8052 excess
zero 27952+1948 excess
copy 29900+100 from 19900 tail-moved`},
		{"larger: same place", 30000, TailSamePlace, `copy 0+19900 unchanged
copy 19900+100 tail-kept
leave 20000+7952 excess
zero 27952+2048 excess`},
		{"larger: drop", 30000, TailDrop, `copy 0+19900 unchanged
leave 19900+8052 excess
zero 27952+2048 excess`},
		{"slightly larger: the old tail as far as the new one leaves room", 20030, "", `copy 0+19900 unchanged
copy 19900+30 tail-kept
copy 19930+100 from 19900 tail-moved`},
		{"smaller: end", 16000, "", `copy 0+15900 unchanged
copy 15900+100 from 19900 tail-moved`},
		{"smaller: the entry is shortened to its volume", 9200, "", `render 0+1 table
copy 1+9099 unchanged
copy 9100+100 from 19900 tail-moved`},
		{"smaller: same place, without the blank end", 19990, TailSamePlace, `copy 0+19900 unchanged
copy 19900+90 tail-kept`},
		{"smaller: drop", 15063, TailDrop, `copy 0+15063 unchanged`},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := size(c.target)
			w.Tail = c.tail
			d := withTail()
			p := mustPlan(t, d, w)
			if got := shape(p); got != c.want {
				t.Errorf("\n%s\nwant\n%s", got, c.want)
			}
			dropped := slices.ContainsFunc(p.Dropped, func(x plan.Dropped) bool {
				return x.Role == layout.RoleTail &&
					x.Overlaps(at(19900, 60))
			})
			if dropped != (c.tail == TailDrop) {
				t.Errorf("dropped %+v", p.Dropped)
			}
		})
	}
}

// N02: the excess is unchanged or filled as asked (DA-AO-17 and 18 of the NIST
// assertions for disk imaging, from memory).
func TestExcessN02(t *testing.T) {
	w := size(30000)
	w.Excess = ExcessZero
	for _, q := range mustPlan(t, withTail(), w).Pieces {
		if q.Op == layout.Leave {
			t.Errorf("%s is left", q.Span)
		}
	}
}

// N01: a destination that is too small is told, with exact numbers (DA-AO-19
// of the NIST assertions for disk imaging, from memory). Here nothing is cut.
func TestTooSmallN01(t *testing.T) {
	_, err := tryPlan(t, noFAT(withTail()), size(9000))
	r := IsRefused(err)
	if r == nil || r.Smallest != 15163 || !strings.Contains(err.Error(), "6,163 sectors too small") || !strings.Contains(err.Error(), `6,163 sectors of entry 1`) || !strings.Contains(err.Error(), "15,163 sectors (7,763,456 bytes)") {
		t.Errorf("%v", err)
	}
}

func TestContainersAreShortened(t *testing.T) {
	d := imagetest.New(30000, 512)
	box := at(5000, 24000)
	disks.MBR(d, entry(63, 900), disks.Entry{Span: box, Type: 0x0F})
	disks.FAT(d, at(63, 900), 0)
	disks.Chain(d, box, 63, entry(5063, 6000), entry(12000, 15000))
	disks.FAT(d, at(5063, 5000), 0, 3000)
	disks.FAT(d, at(12000, 4500), 0, 3000)
	w := size(16500)
	s := survey(t, mustCard(t, mustPlan(t, d, w), d))
	for index, want := range map[int]disk.Sector{1: 900, 2: 11500, 5: 6000, 6: 4500} {
		if e := s.Entry(index); e == nil || e.Count != want {
			t.Errorf("entry %d: %+v, want %d sectors", index, e, want)
		}
	}
	for _, f := range s.Findings {
		if f.Severity != disk.Note {
			t.Errorf("%+v", f)
		}
	}
}

// A volume in a container that ends before its entry does: the container must
// still hold the whole entry.
func TestContainerHoldsItsWholeEntries(t *testing.T) {
	d := imagetest.New(30000, 512)
	box := at(5000, 24000)
	disks.MBR(d, disks.Entry{Span: box, Type: 0x0F})
	disks.Chain(d, box, 63, entry(5063, 10000))
	disks.FAT(d, at(5063, 5000), 0, 3000)
	s := survey(t, mustCard(t, mustPlan(t, d, size(20000)), d))
	if e, in := s.Entry(1), s.Entry(5); e.End() != 15063 || in.Count != 10000 {
		t.Errorf("%+v, %+v", e, in)
	}
}

func TestUnknownVolumes(t *testing.T) {
	d := imagetest.New(20000, 512)
	disks.MBR(d, entry(63, 15000))
	disks.Noise(d, at(100, 10), 1)
	_, err := tryPlan(t, d, size(10000))
	if r := IsRefused(err); r == nil || r.Smallest != 15063 ||
		!strings.Contains(err.Error(), "--accept unknown-volume-cut") {
		t.Fatalf("%v", err)
	}
	w := size(10000)
	w.Accept = []disk.Code{disk.UnknownVolumeCut}
	p := mustPlan(t, d, w)
	if e := survey(t, mustCard(t, p, d)).Entry(1); e.Count != 47 || !hasAccepted(p, string(disk.UnknownVolumeCut)) {
		t.Errorf("%+v, %+v", e, p.Findings)
	}
	w.Target.Sectors = 15063
	if p := mustPlan(t, d, w); !slices.Contains(imagetest.Codes(p.Findings), "accept-not-needed") {
		t.Errorf("%+v", p.Findings)
	}
}

func hasAccepted(p *plan.Plan, code string) bool {
	return slices.ContainsFunc(p.Findings, func(f disk.Finding) bool {
		return string(f.Code) == code && f.Accepted &&
			f.Severity == disk.Refusal
	})
}

// What has to be accepted is refused by its code, and goes on with it.
func TestAcceptances(t *testing.T) {
	larger := imagetest.New(20000, 512)
	disks.FAT(larger, at(63, 9000), 0, 3000)
	disks.MBR(larger, entry(63, 8999))
	conflict := guid()
	disks.MBR(conflict, disks.Entry{Span: at(1, 33), Type: 0xEE}, entry(63, 15001))
	damaged := guid()
	damaged.Put(2, []byte{1})
	damaged.Put(19967, []byte{1})
	stale := withTail()
	stale.Put(19900, make([]byte, 100*512))
	disks.GPTHeaders(stale, 19999, entry(34, 20))
	unlisted := imagetest.New(20000, 512)
	disks.Noise(unlisted, at(0, 3), 1)
	disks.FAT(unlisted, at(3000, 14000), 0, 3000)
	lost := image.NewKnown(withTail(), disk.Spans{at(5, 2), at(5000, 3)}, nil)
	for _, c := range []struct {
		name   string
		src    image.Source
		target disk.Sector
		codes  []disk.Code
	}{
		{"larger than its entry", larger, 30000, []disk.Code{"fat-larger-than-partition"}},
		{"tables in conflict", conflict, 30000, []disk.Code{"tables-conflict"}},
		{"no copy of a GPT", damaged, 30000, []disk.Code{"gpt-damaged"}},
		{"stale table", stale, 16000, []disk.Code{disk.StaleTableCut}},
		{"a volume that no table names", unlisted, 16999, []disk.Code{disk.VolumeUnlisted}},
		{"missing sectors, same size", lost, 20000, []disk.Code{"missing-in-boot-area", "missing-in-volume"}},
		{"odd bytes", imagetest.NewBytes(append(imagetest.Head(t, withTail(), 20000*512), 7), 512), 20000,
			[]disk.Code{"odd-bytes"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := tryPlan(t, c.src, size(c.target))
			for _, code := range c.codes {
				if err == nil || !strings.Contains(err.Error(), string(code)) {
					t.Errorf("not refused for %s: %v", code, err)
				}
			}
			w := size(c.target)
			w.Accept = append(slices.Clone(c.codes), "no-such-thing")
			p := mustPlan(t, c.src, w)
			for _, code := range c.codes {
				if !hasAccepted(p, string(code)) {
					t.Errorf("%s is not noted as accepted: %+v", code, p.Findings)
				}
			}
			if !slices.Contains(imagetest.Codes(p.Findings), "accept-not-needed") {
				t.Errorf("%+v", p.Findings)
			}
		})
	}
}

// A disk that nobody understands is copied byte for byte, with no tail moved.
func TestDamagedGPTStaysInPlace(t *testing.T) {
	d := guid()
	d.Put(2, []byte{1})
	d.Put(19967, []byte{1})
	disks.Noise(d, at(15700, 4200), 1)
	w := size(30000)
	w.Accept, w.Tail, w.Excess = []disk.Code{"gpt-damaged"}, TailSamePlace, ExcessZero
	p := mustPlan(t, d, w)
	if q := p.Pieces[0]; q.Op != layout.Copy || q.From != 0 {
		t.Errorf("%s", shape(p))
	}
	if x := differ(t, image.NewWindow(mustCard(t, p, d), at(0, 20000)), d); x >= 0 {
		t.Errorf("sector %d differs", x)
	}
}

func TestOtherSectorSizeIsRefused(t *testing.T) {
	w := size(30000)
	w.Target.SectorSize = 4096
	if _, err := tryPlan(t, withTail(), w); err == nil || !strings.Contains(err.Error(), "sector-size-differs") {
		t.Errorf("%v", err)
	}
}

// N03: what could not be read is told by type and place and becomes a benign
// fill (DA-AM-09 and 10 of the NIST assertions for disk imaging, from memory).
func TestMissingBecomesZeroN03(t *testing.T) {
	src := image.NewKnown(withTail(), disk.Spans{at(5, 2), at(5000, 3)}, nil)
	w := size(20000)
	w.Accept = []disk.Code{"missing-in-boot-area", "missing-in-volume"}
	p := mustPlan(t, src, w)
	want := "copy 0+5 unchanged\nzero 5+2 missing-in-source\ncopy 7+4993 unchanged\nzero 5000+3 " +
		"missing-in-source\ncopy 5003+14997 unchanged"
	if got := shape(p); got != want {
		t.Errorf("\n%s\nwant\n%s", got, want)
	}
	if got := mustCard(t, p, src).Known().Unknown(at(0, 20000)); !slices.Equal(got, disk.Spans{at(5, 2), at(5000, 3)}) {
		t.Errorf("unknown on the card: %v", got)
	}
}

// G10: a copy that lives beside its original has identifiers of its own (EFI
// Specification 1.02, p. 313).
func TestNewIDsG10(t *testing.T) {
	ids := &NewIDs{DiskID: 0xCAFE0001, GPT: &gpt.NewIDs{Disk: gpt.GUID{1}, Entries: map[int]gpt.GUID{1: {2}, 2: {3}}}}
	for _, n := range []disk.Sector{20000, 30000} {
		w := size(n)
		w.NewIDs = ids
		d := guid()
		c := mustCard(t, mustPlan(t, d, w), d)
		s := survey(t, c)
		g := opens(t, c, s).gpt
		if g.DiskGUID() != ids.GPT.Disk || g.Entries()[1].Unique != (gpt.GUID{3}) || len(s.Findings) > 0 {
			t.Errorf("%d: %v, %+v", n, g.DiskGUID(), s.Findings)
		}
		m := withTail()
		c = mustCard(t, mustPlan(t, m, w), m)
		if id := opens(t, c, survey(t, c)).mbr.Boot.DiskID(); id != 0xCAFE0001 {
			t.Errorf("%d: %08X", n, id)
		}
	}
	w := size(300)
	w.NewIDs = ids
	if p := mustPlan(t, imagetest.New(300, 512), w); !slices.Contains(imagetest.Codes(p.Findings), "no-identifiers") {
		t.Errorf("%+v", p.Findings)
	}
}

// G09: the second copy moves to the new end (EFI Specification 1.02, p. 312);
// G02: first and last usable sector are 34 and N-34.
func TestGPTOnAnotherSizeG02G09(t *testing.T) {
	for _, n := range []disk.Sector{15633 + 1, 19999, 20001, 20010, 50000} {
		d := guid()
		c := mustCard(t, mustPlan(t, d, size(n)), d)
		s := survey(t, c)
		g := opens(t, c, s).gpt
		h := g.InForce.Header
		if g.Backup.At != n-1 || h.FirstUsable() != 34 || h.LastUsable() != uint64(n-34) || len(s.Findings) > 0 ||
			s.Table != "gpt" {
			t.Errorf("%d: %+v, %d to %d", n, s.Findings, h.FirstUsable(), h.LastUsable())
		}
	}
	for _, d := range []*imagetest.Disk{guid(), noFAT(guid())} {
		_, err := tryPlan(t, d, size(100))
		if IsRefused(err) == nil {
			t.Fatalf("%v", err)
		}
		smallest := IsRefused(err).Smallest
		mustPlan(t, d, size(smallest))
		if _, err := tryPlan(t, d, size(smallest-1)); IsRefused(err) == nil || IsRefused(err).Smallest != smallest {
			t.Errorf("%d is the smallest, and %v", smallest, err)
		}
	}
}
