package drawing

import (
	"bytes"
	"encoding/xml"
	"errors"
	"html"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/plan"
)

// region makes a region of an invented drive.
func region(start, count disk.Sector, role layout.Role, name string, nonBlank disk.Sector) layout.Region {
	return layout.Region{Span: disk.Span{Start: start, Count: count}, Role: role, Name: name,
		Content: layout.Content{Looked: true, NonBlank: nonBlank, Blank: nonBlank == 0}}
}

// drive is an invented drive with a boot area in front of its volume, and a tail.
func drive(sectors disk.Sector) *layout.Map {
	return &layout.Map{Sectors: sectors, SectorSize: 512, Table: "mbr", Regions: []layout.Region{
		region(0, 1, layout.RoleTable, "mbr table", 1),
		region(1, 62, layout.RoleGap, "gap before the first entry", 40),
		region(63, sectors-63-2048-100, layout.RoleVolume, `entry 1: fat32 "<b>&SONGS`, 1),
		region(sectors-2148, 2048, layout.RoleGap, "after the last entry", 0),
		region(sectors-100, 100, layout.RoleTail, "tail", 20),
	}}
}

// moved is a plan that moves the tail to the end of a larger card.
func moved(m *layout.Map, card disk.Sector, findings ...disk.Finding) *plan.Plan {
	size := plan.Size{Sectors: card, SectorSize: 512}
	b := plan.NewBuilder(size, plan.Source{Size: plan.Size{Sectors: m.Sectors, SectorSize: 512}, Digest: strings.Repeat("0", 64)})
	b.Render(0, bytes.Repeat([]byte{7}, 512), layout.WhyTable, layout.RankSector0)
	b.Copy(disk.Between(1, m.Sectors-100), 1, layout.WhyUnchanged, layout.RankData)
	edge := card - disk.Sector(plan.Edge/512)
	b.Leave(disk.Between(m.Sectors-100, edge), layout.WhyExcess, layout.RankData)
	b.Zero(disk.Between(edge, card-100), layout.WhyExcess, layout.RankData)
	b.Copy(disk.Between(card-100, card), m.Sectors-100, layout.WhyTailMoved, layout.RankData)
	b.Find(findings...)
	p, err := b.Plan()
	if err != nil {
		panic(err)
	}
	return p
}

// fragments is a plan of a volume in 262,144 pieces.
func fragments(m *layout.Map) *plan.Plan {
	size := plan.Size{Sectors: m.Sectors, SectorSize: 512}
	b := plan.NewBuilder(size, plan.Source{Size: size, Digest: strings.Repeat("0", 64)})
	b.Copy(disk.Span{Count: 2048}, 0, layout.WhyUnchanged, layout.RankData)
	for x := disk.Sector(2048); x < 2048+262144; x++ {
		if x%2 == 0 {
			b.Copy(disk.Span{Start: x, Count: 1}, x+4, layout.WhyVolumeMoved, layout.RankData)
		} else {
			b.Zero(disk.Span{Start: x, Count: 1}, layout.WhyVolumeFree, layout.RankData)
		}
	}
	b.Copy(disk.Between(b.At(), m.Sectors), b.At(), layout.WhyUnchanged, layout.RankData)
	p, err := b.Plan()
	if err != nil {
		panic(err)
	}
	return p
}

// pictures are those that the tests look at.
func pictures() map[string]*Picture {
	m, tiny := drive(19640880), &layout.Map{Sectors: 1, SectorSize: 4096, Regions: []layout.Region{region(0, 1, layout.RoleUnknown, "unknown", 0)}}
	many := drive(2000000)
	many.Regions = nil
	for x := disk.Sector(0); x < 2000000; x += 10000 {
		many.Regions = append(many.Regions, region(x, 10000, layout.RoleGap, "gap", x%3))
	}
	two := Faults{Missing: disk.NewSpans(disk.Span{Start: 9000000, Count: 1}), Unstable: disk.NewSpans(disk.Span{Start: 12000000, Count: 1})}
	return map[string]*Picture{
		"larger": New(m, moved(m, 31266816), two),
		"ten times as large": New(m, moved(m, 400000000,
			disk.Warningf(disk.Wall28Bit, 1<<28, "no further"), disk.Warningf(disk.WallCylinders, 16450560, "no further")), two),
		"in pieces":       New(m, fragments(m), Faults{}),
		"the drive alone": New(m, nil, two),
		"one sector":      New(tiny, nil, Faults{Missing: disk.NewSpans(disk.Span{Count: 1})}),
		"many regions":    New(many, nil, Faults{}),
	}
}

// TestPartsAddUp: the numbers in the drawing tile both disks.
func TestPartsAddUp(t *testing.T) {
	for name, p := range pictures() {
		t.Run(name, func(t *testing.T) {
			svg := p.SVG(`a "title" <with> marks`)
			if dir := os.Getenv("BOOTGRAFT_LOOK"); dir != "" {
				if err := os.WriteFile(filepath.Join(dir, name+".svg"), svg, 0o644); err != nil {
					t.Fatal(err)
				}
			}
			ends := map[string]disk.Sector{}
			for dec := xml.NewDecoder(bytes.NewReader(svg)); ; {
				tok, err := dec.Token()
				if errors.Is(err, io.EOF) {
					break
				}
				if err != nil {
					t.Fatalf("the drawing is no XML: %v", err)
				}
				if e, ok := tok.(xml.StartElement); ok && e.Name.Local == "g" {
					which, start, count := part(t, e)
					if start != ends[which] {
						t.Errorf("%s: a part begins at %d, and the one before it ends at %d", which, start, ends[which])
					}
					ends[which] = start + count
				}
			}
			if ends["drive"] != p.Drive.Sectors || ends["card"] != p.Card.Sectors {
				t.Errorf("parts end at %v; the disks have %d and %d sectors", ends, p.Drive.Sectors, p.Card.Sectors)
			}
			for _, b := range []Bar{p.Drive, p.Card} {
				if len(b.Parts) > mostParts {
					t.Errorf("%s: %d parts", b.Name, len(b.Parts))
				}
				for _, q := range b.Parts {
					if err := disk.CheckTiles(q.Count, fromZero(q)); err != nil {
						t.Errorf("%s, %s: runs: %v", b.Name, q.Name, err)
					}
				}
			}
		})
	}
}

func fromZero(q Part) (out []disk.Span) {
	for _, r := range q.Runs {
		out = append(out, disk.Span{Start: r.Start - q.Start, Count: r.Count})
	}
	return out
}

func part(t *testing.T, e xml.StartElement) (which string, start, count disk.Sector) {
	t.Helper()
	for _, a := range e.Attr {
		n, err := strconv.ParseInt(a.Value, 10, 64)
		switch {
		case a.Name.Local == "data-disk":
			which = a.Value
		case err != nil:
			t.Fatal(err)
		case a.Name.Local == "data-start":
			start = disk.Sector(n)
		default:
			count = disk.Sector(n)
		}
	}
	return which, start, count
}

// TestVitalPartsAreSeen: what a device may need is 24 pixels wide, on a disk of any
// size, and says so where that leaves the scale.
func TestVitalPartsAreSeen(t *testing.T) {
	for name, p := range pictures() {
		for _, b := range []Bar{p.Drive, p.Card} {
			if b.Sectors == 0 || name == "many regions" {
				continue
			}
			for i, w := range places(b.Parts, b.Sectors, 0, barWidth) {
				if q := b.Parts[i]; q.Vital && (w.width < vitalPart || !w.broken && float64(q.Count) < vitalPart/barWidth*float64(b.Sectors)/leaves) {
					t.Errorf("%s: %s of the %s is %.1f pixels wide, broken scale %v", name, q.Name, b.Name, w.width, w.broken)
				}
			}
		}
	}
}

// TestLabelsLieApart: no text lies on another, and no line crosses one.
func TestLabelsLieApart(t *testing.T) {
	for name, p := range pictures() {
		for _, b := range []Bar{p.Drive, p.Card} {
			labels, _ := labelsOf(b.Parts, places(b.Parts, max(b.Sectors, 1), 0, barWidth))
			for i, l := range labels {
				for _, next := range labels[i+1:] {
					if next.x < l.x+l.width() && next.row >= l.row {
						t.Errorf("%s: %q reaches over the line of %q", name, l.lines[0], next.lines[0])
					}
				}
			}
		}
	}
}

// TestTicksKeepEverySector: two bad sectors of a large drive are there, and however
// many there are, their counts add up.
func TestTicksKeepEverySector(t *testing.T) {
	var missing []disk.Span
	for x := disk.Sector(7); x < 1000000; x += 31 {
		missing = append(missing, disk.Span{Start: x, Count: 3})
	}
	var sum disk.Sector
	all := ticks(1000000, Faults{Missing: disk.NewSpans(missing...), Unstable: disk.NewSpans(disk.Span{Start: 500, Count: 2})})
	for _, k := range all {
		sum += k.Missing + k.Unstable
	}
	if want := disk.Sector(3*len(missing) + 2); sum != want || len(all) > 200 {
		t.Errorf("%d ticks with %d sectors, want %d", len(all), sum, want)
	}
	if got := len(pictures()["larger"].Drive.Ticks); got != 2 {
		t.Errorf("2 bad sectors are drawn as %d ticks", got)
	}
}

// TestEveryMissingSectorIsCounted: the counts above a bar add up to what is missing, also
// where ticks lie so near to each other that not each has room for its own.
func TestEveryMissingSectorIsCounted(t *testing.T) {
	var missing []disk.Span
	for x := disk.Sector(100_000); x < 9_000_000; x += 150_000 {
		missing = append(missing, disk.Span{Start: x, Count: x / 100_000})
	}
	faults := Faults{Missing: disk.NewSpans(missing...)}
	svg := string(New(drive(19640880), nil, faults).SVG("a drive"))
	var sum disk.Sector
	counts := regexp.MustCompile(`class="bg-warn bg-small"[^>]*>([0-9,]+)<`).FindAllStringSubmatch(svg, -1)
	for _, m := range counts {
		n, err := strconv.ParseInt(strings.ReplaceAll(m[1], ",", ""), 10, 64)
		if err != nil {
			t.Fatal(err)
		}
		sum += disk.Sector(n)
	}
	if want := faults.Missing.Sectors(); sum != want || len(counts) < 5 || len(counts) >= len(missing) {
		t.Errorf("%d counts above %d ticks add up to %d, want %d", len(counts), len(missing), sum, want)
	}
}

// TestRibbonsLead: the tail's ribbon leads from end to end.
func TestRibbonsLead(t *testing.T) {
	p := pictures()["larger"]
	last := p.Ribbons[len(p.Ribbons)-1]
	if !last.Moved || last.From != disk.Between(19640780, 19640880) || last.To != disk.Between(31266716, 31266816) {
		t.Errorf("the last ribbon is %+v", last)
	}
}

// BenchmarkNew draws a plan of 262,144 pieces.
func BenchmarkNew(b *testing.B) {
	m := drive(19640880)
	p := fragments(m)
	for b.Loop() {
		if n := len(New(m, p, Faults{}).SVG("a plan")); n > 1<<20 {
			b.Fatal(n)
		}
	}
}

// TestTextsEndWithinThePage: what is written at a sector near the end is not cut off there.
func TestTextsEndWithinThePage(t *testing.T) {
	text := regexp.MustCompile(`<text x="([0-9.]+)" y="[0-9.]+" class="([^"]*)">([^<]*)</text>`)
	for name, p := range pictures() {
		for _, text := range wallTexts {
			p.Walls = append(p.Walls, Wall{p.Card.Sectors - p.Card.Sectors/8, text})
		}
		found := text.FindAllStringSubmatch(string(p.SVG("a plan")), -1)
		for _, m := range found {
			x, err := strconv.ParseFloat(m[1], 64)
			if err != nil {
				t.Fatal(err)
			}
			size := 1.0
			switch {
			case strings.Contains(m[2], "bg-small"):
				size = small
			case strings.Contains(m[2], "bg-big"):
				size = 20.0 / 18
			}
			if end := x + float64(words.Cells(html.UnescapeString(m[3])))*letter*size; end > pageWidth {
				t.Errorf("%s: %q ends at %.0f of %.0f", name, m[3], end, pageWidth)
			}
		}
		if len(found) == 0 {
			t.Errorf("%s: no text was found", name)
		}
	}
}
