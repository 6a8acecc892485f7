package fit

import (
	"context"
	"slices"
	"strings"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout"
	"bootgraft/layout/layouttest/disks"
	"bootgraft/layout/plan"
	"bootgraft/layout/rule/candidate"
	"bootgraft/layout/rule/compare"
	"bootgraft/layout/rule/compare/family"
	"bootgraft/layout/volume"
	"bootgraft/layout/volume/fat"
)

// half plans a disk up to the proof, which the test then gives a spoilt plan.
func half(t *testing.T, src image.Source, w Wishes) (*drawing, *plan.Plan) {
	t.Helper()
	g := &given{ctx: context.Background(), src: src, s: survey(t, src), open: opens(t, src, survey(t, src)), w: w,
		linked: &linked{}}
	a, err := g.attempt()
	if err != nil || !a.fits() {
		t.Fatal(err, a.refused.Error())
	}
	made, err := a.drawn.emit(a.findings)
	if err != nil {
		t.Fatal(err)
	}
	return a.drawn, made
}

// proved is what the proof says against a plan.
func proved(t *testing.T, d *drawing, made *plan.Plan) string {
	t.Helper()
	out, err := d.prove(made)
	if err != nil {
		t.Fatal(err)
	}
	v := verdict{used: map[disk.Code]bool{}}
	v.weigh(d.given, out)
	return v.refused.Error()
}

// spoilt is a plan with some card sectors from elsewhere.
func spoilt(t *testing.T, p *plan.Plan, with layout.Piece, data []byte) *plan.Plan {
	t.Helper()
	b := plan.NewBuilder(p.Target, p.Source)
	for _, q := range p.Pieces {
		for _, part := range cutAt(q, []disk.Sector{with.Start, with.End()}) {
			switch {
			case with.Covers(part.Span) && data != nil:
				b.Render(part.Start, data, with.Why, with.Rank)
			case with.Covers(part.Span):
				lay(b, layout.Piece{Span: part.Span, Op: with.Op, From: with.From + part.Start - with.Start, Why: with.Why})
			case part.Op == layout.Render:
				made := make([]byte, int(part.Count)*512)
				if err := image.ReadFull(p.Rendered, made, int64(part.From)*512); err != nil {
					t.Fatal(err)
				}
				b.Render(part.Start, made, part.Why, part.Rank)
			default:
				lay(b, part)
			}
		}
	}
	out, err := b.Plan()
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// proofDisk has boot code in front, a FAT16 volume, an entry nobody knows, a
// gap in use and a tail.
func proofDisk(t *testing.T) *imagetest.Disk {
	d := imagetest.New(60_000, 512)
	disks.Noise(d, at(5, 4), 1)
	first := entry(63, 30_000)
	first.Active = true
	disks.MBR(d, first, disks.Entry{Span: at(31_000, 5000), Type: 0x83})
	songs(t, d, 63, 30_000, fat.FAT16, 2)
	disks.Noise(d, at(30_500, 3), 2)
	disks.Noise(d, at(31_000, 2500), 3)
	disks.Noise(d, at(59_990, 10), 4)
	return d
}

// spoil is one way in which a card can fail its original.
type spoil struct {
	name string
	with layout.Piece
	data []byte
	say  string
}

// refusedAs plans a card, spoils it, and wants it refused with these words.
func refusedAs(t *testing.T, src image.Source, w Wishes, c spoil) {
	t.Helper()
	d, made := half(t, src, w)
	if got := proved(t, d, made); got != "" {
		t.Fatalf("%s: refused before anything is spoilt: %s", c.name, got)
	}
	if got := proved(t, d, spoilt(t, made, c.with, c.data)); !strings.Contains(got, c.say) {
		t.Errorf("%s: not refused with %q: %q", c.name, c.say, got)
	}
}

func fill(op layout.Op, x, n disk.Sector) layout.Piece {
	return layout.Piece{Span: at(x, n), Op: op, Why: layout.WhyExcess}
}

// Sectors in use without their place on the card are refused by the last step
// of planning, which shares nothing with the steps before it but their wishes.
func TestLostSectorsAreRefused(t *testing.T) {
	d := proofDisk(t)
	const n = 70_000
	elsewhere := layout.Piece{Span: at(31_010, 1), Op: layout.Copy, From: 31_011, Why: layout.WhyUnchanged}
	made := layout.Piece{Span: at(31_010, 1), Op: layout.Render, Why: layout.WhyTable, Rank: layout.RankFirst}
	for _, c := range []spoil{
		{"an entry is left", fill(layout.Leave, 31_010, 2), nil, "sectors-lost: sectors 31,010 to 31,011 of entry 2"},
		{"an entry is zeros", fill(layout.Zero, 33_000, 1), nil, "sectors-lost: sector 33,000 of entry 2"},
		{"an entry is from elsewhere", elsewhere, nil, "sectors-lost: sector 31,010"},
		{"an entry is made new", made, make([]byte, 512), "sectors-lost: sector 31,010"},
		{"a volume is left", fill(layout.Leave, 2200, 500), nil, "of entry 1"},
		{"a gap is left", fill(layout.Leave, 30_500, 3), nil, "sectors-lost: sectors 30,500 to 30,502 of gap"},
		{"boot code is zeros", fill(layout.Zero, 5, 1), nil, "sectors-lost: sector 5 of gap"},
		{"the tail is not at the end", fill(layout.Zero, n-10, 10), nil, "sectors-lost: sectors 59,990 to 59,999 of tail"},
	} {
		refusedAs(t, d, size(n), c)
	}
	w := wishing(60_000, 1, volume.Wishes{Mode: volume.Shrink, Sectors: 25_000})
	refusedAs(t, d, w, spoil{"a cluster in use is left", fill(layout.Leave, 2200, 500), nil, "its allocation table says"})
	end := wishing(50_000, 1, volume.Wishes{Mode: volume.Shrink, Sectors: 25_000})
	refusedAs(t, d, end, spoil{"the tail of a smaller card", fill(layout.Zero, 49_990, 10), nil, "of tail"})
	refusedAs(t, d, w, spoil{"the next entry, beside a volume that changes", fill(layout.Leave, 31_010, 2), nil,
		"of entry 2"})

	unread := image.NewKnown(d, disk.NewSpans(at(34_000, 10)), nil)
	w = size(n)
	w.Accept = []disk.Code{disk.MissingInVolume}
	refusedAs(t, unread, w, spoil{"what nobody knows is left", fill(layout.Leave, 34_000, 10), nil,
		"10 sectors not known"})
}

// A card that shows another table, entry or volume than was asked for is
// refused.
func TestACardThatShowsOtherIsRefused(t *testing.T) {
	d := proofDisk(t)
	patch := func(name, say string, x disk.Sector, change func(b []byte)) spoil {
		b := slices.Clone(sectorAt(d, x))
		change(b)
		rank := layout.RankFirst
		if x == 0 {
			rank = layout.RankSector0
		}
		return spoil{name, layout.Piece{Span: at(x, 1), Op: layout.Render, Why: layout.WhyTable, Rank: rank}, b, say}
	}
	for _, c := range []spoil{
		patch("no table", "of kind none", 0, func(b []byte) { b[510] = 0 }),
		patch("an entry less", "1 entries instead of 2", 0, func(b []byte) { clear(b[462:478]) }),
		patch("another type", "entry 2", 0, func(b []byte) { b[466] = 0x82 }),
		patch("another length", "entry 2", 0, func(b []byte) { b[474]++ }),
		patch("another start", "entry 2", 0, func(b []byte) { b[470]++ }),
		patch("another active one", "entry 1", 0, func(b []byte) { b[446], b[462] = 0, 0x80 }),
		patch("a container", "entry 2", 0, func(b []byte) { b[466] = 5 }),
		patch("no volume", "became none", 63, func(b []byte) { clear(b[11:40]) }),
		patch("another identifier", "became fat16", 63, func(b []byte) { b[39]++ }),
		patch("another size", "became fat16", 63, func(b []byte) { b[19]-- }),
		patch("larger than its entry", "refusal that the original does not have, fat-larger-than-partition", 63,
			func(b []byte) { b[19] += 100 }),
		patch("another label", "became fat16", 63+sectorOfRoot(t, d), func(b []byte) { b[0]++ }),
	} {
		refusedAs(t, d, size(70_000), c)
	}
	more := layout.Piece{Span: at(31_000, 300), Op: layout.Copy, From: 63, Why: layout.WhyUnchanged}
	refusedAs(t, d, size(70_000), spoil{"a volume more", more, nil, "2 volumes instead of 1"})
}

// sectorOfRoot returns the first sector of the root directory of entry 1.
func sectorOfRoot(t *testing.T, d image.Source) disk.Sector {
	t.Helper()
	return fatOf(t, d, survey(t, d), 1).RootSpan().Start
}

// A card that breaks its rules after all is refused, whatever made it so.
func TestACardThatBreaksItsRulesIsRefused(t *testing.T) {
	f := family.Named()[0]
	sizes := family.NamedSizes()
	w := Wishes{Rules: rulesOf(t, f, sizes, 0x220), Target: plan.Size{Sectors: 1_130_004, SectorSize: 512}}
	src := unit(f, sizes[0], 1)
	_, made := half(t, src, w)
	i := slices.IndexFunc(made.Pieces, func(q layout.Piece) bool { return q.Why == layout.WhyRule })
	if i < 0 {
		t.Fatal("nothing was made by a rule")
	}
	q := made.Pieces[i]
	q.Count = 1
	old := sectorAt(src, q.Start)
	refusedAs(t, src, w, spoil{"the old size", q, old, "rules-broken"})
}

// Whether what rules count from the end moves with the end, or stays in the
// entry that holds it, nobody knows.
func TestRulesThatCountFromTheEndInAnEntry(t *testing.T) {
	d := imagetest.New(40_000, 512)
	disks.MBR(d, disks.Entry{Span: at(63, 40_000-63), Type: 0x83})
	disks.Noise(d, at(39_900, 100), 1)
	way := compare.Way{Encoding: "u32le", Formulas: []compare.Formula{{Times: 1, Of: 1, Per: 1}}}
	r := &compare.Rules{SectorSize: 512, Sizes: []disk.Sector{40_000}, Head: 64, Tail: 64, Fields: []compare.Field{
		{Place: candidate.Place{From: layout.FromEnd, Sector: 5}, Class: compare.Size, Width: 4, Ways: []compare.Way{way}},
	}}
	w := size(50_000)
	w.Rules = r
	_, err := tryPlan(t, d, w)
	if x := IsRefused(err); x == nil || !hasFinding(x.Why, "rules-in-entry") {
		t.Errorf("%v", err)
	}
}

// Behind a volume that is made new and keeps its size, what its entry holds is
// on the card too.
func TestSlackOfAVolumeThatIsMadeNewIsProved(t *testing.T) {
	d, _, slack := slackDisk(t)
	refusedAs(t, d, wishing(70_000, 1, volume.Wishes{Empty: true}),
		spoil{"the slack is left", fill(layout.Leave, slack.Start, slack.Count), nil,
			"sectors-lost: sectors 30,100 to 30,102 of entry 1"})
}
