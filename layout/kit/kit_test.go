package kit_test

import (
	"bytes"
	"errors"
	"io"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout"
	"bootgraft/layout/kit"
	"bootgraft/layout/layouttest/disks"
)

func at(start, count disk.Sector) disk.Span { return disk.Span{Start: start, Count: count} }

// drive is an invented drive of 1,000 sectors with a head and a tail.
func drive() *imagetest.Disk {
	d := imagetest.New(1000, 512)
	disks.Noise(d, at(0, 9), 1)
	disks.Noise(d, at(990, 10), 2)
	return d
}

// contents is a kit of that drive in which every state occurs.
func contents() *kit.Contents {
	return &kit.Contents{
		Source: drive(),
		Manifest: kit.Manifest{
			Sectors: 1000, SectorSize: 512, LayoutKnown: true, Drive: "BOREAL 20", Notes: []string{"an invented device"},
			Spans: []kit.Span{
				{Span: at(0, 9), From: layout.FromStart, What: "head", State: kit.Stored},
				{Span: at(9, 91), From: layout.FromStart, What: "gap", State: kit.Blank},
				{Span: at(100, 3), From: layout.FromStart, What: "gap", State: kit.Missing},
				{Span: at(103, 2), From: layout.FromStart, What: "gap", State: kit.Unread},
				{Span: at(105, 1), From: layout.InsideVolume, What: "gap", State: kit.Removed},
				{Span: at(106, 4), From: layout.FromStart, What: "gap", State: kit.Blank, Fill: 0xFF},
				{Span: at(990, 10), From: layout.FromEnd, What: "tail", State: kit.Stored},
			},
			Identity: []kit.Mark{{Sector: 0, Offset: 440, Count: 4, What: "disk id"}},
			Facts:    kit.Facts{Table: "none", Regions: []kit.Region{{Span: at(0, 1000), Role: layout.RoleUnknown, From: layout.FromStart}}},
		},
		Patches: []kit.Patch{{Sector: 3, Offset: 71, Bytes: []byte("NO NAME    "), What: "label"}},
		RuleSet: []byte("{\"schema\": 1}\n"),
	}
}

func write(t testing.TB, c *kit.Contents) []byte {
	t.Helper()
	var b bytes.Buffer
	if _, err := kit.Write(&b, c); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func open(t testing.TB, b []byte) *kit.Kit {
	t.Helper()
	k, err := kit.Open(bytes.NewReader(b), int64(len(b)))
	if err != nil {
		t.Fatal(err)
	}
	return k
}

func TestWrittenKitReadsAsTheDrive(t *testing.T) {
	c := contents()
	b := write(t, c)
	if !kit.Is(bytes.NewReader(b)) {
		t.Error("Is does not know it")
	}
	if other := write(t, contents()); !bytes.Equal(b, other) {
		t.Error("the same contents give other bytes")
	}
	k := open(t, b)
	want := drive()
	if _, err := want.WriteAt([]byte("NO NAME    "), 3*512+71); err != nil {
		t.Fatal(err)
	}
	disks := []disk.Span{at(0, 100), at(990, 10), at(5, 30)}
	for _, s := range disks {
		have, err := image.ReadSectors(k, s)
		if err != nil {
			t.Fatal(err)
		}
		should, err := image.ReadSectors(want, s)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(have, should) {
			t.Errorf("sectors %s differ", s)
		}
	}
	if ff, err := image.ReadSectors(k, at(106, 4)); err != nil || !bytes.Equal(ff, bytes.Repeat([]byte{0xFF}, 2048)) {
		t.Errorf("filled sectors: %v", err)
	}
	if string(k.Rules()) != string(c.RuleSet) || k.Drive != "BOREAL 20" || k.Stored() != 19 {
		t.Errorf("rules %q, drive %q, %d stored", k.Rules(), k.Drive, k.Stored())
	}
	if len(k.Blanked) != 1 || k.Blanked[0] != (kit.Mark{Sector: 3, Offset: 71, Count: 11, What: "label"}) {
		t.Errorf("blanked: %+v", k.Blanked)
	}
}

func TestUnknownSectorsAreNeverData(t *testing.T) {
	k := open(t, write(t, contents()))
	for x, want := range map[disk.Sector]image.State{
		100: image.Missing, 102: image.Missing, 103: image.Unread, 105: image.NotSent, 110: image.NotSent, 989: image.NotSent,
	} {
		_, err := image.ReadSectors(k, at(x, 1))
		var u *image.UnknownError
		if !errors.As(err, &u) || u.State != want || u.Start != x {
			t.Errorf("sector %d: %v", x, err)
		}
		if start, end := k.NextData(int64(x) * 512); start > int64(x)*512 || end <= start {
			t.Errorf("sector %d counts as a hole: next data at %d", x, start)
		}
	}
	want := disk.Spans{at(100, 6), at(110, 880)}
	if have := k.Unknown(image.Whole(k)); len(have) != 2 || have[0] != want[0] || have[1] != want[1] {
		t.Errorf("unknown: %v", have)
	}
}

func TestFactsOnlyHoldsNoSector(t *testing.T) {
	c := contents()
	c.FactsOnly = true
	b := write(t, c)
	k := open(t, b)
	if k.Stored() != 0 || k.Count(kit.Described) != 19 || k.Spans[0].SHA256 == "" {
		t.Errorf("%+v", k.Spans)
	}
	head, err := image.ReadSectors(drive(), at(0, 1))
	if err != nil {
		t.Fatal(err)
	}
	if bytes.Contains(b, head[:32]) {
		t.Error("bytes of the drive are in it")
	}
	if len(k.Unknown(image.Whole(k)).Outside(at(9, 91))) == 0 {
		t.Error("a blank span is not known")
	}
}

func TestWriteRefuses(t *testing.T) {
	for name, change := range map[string]func(*kit.Contents){
		"overlap":          func(c *kit.Contents) { c.Spans[1].Start = 8 },
		"order":            func(c *kit.Contents) { c.Spans[0], c.Spans[1] = c.Spans[1], c.Spans[0] },
		"beyond the end":   func(c *kit.Contents) { c.Spans[5].Start, c.Spans[5].Count = 998, 9 },
		"no sectors":       func(c *kit.Contents) { c.Sectors = 0 },
		"sector size":      func(c *kit.Contents) { c.SectorSize = 520 },
		"odd fill":         func(c *kit.Contents) { c.Spans[1].Fill = 7 },
		"state":            func(c *kit.Contents) { c.Spans[1].State = "lost" },
		"anchor":           func(c *kit.Contents) { c.Spans[1].From = "here" },
		"mark":             func(c *kit.Contents) { c.Identity[0].Offset = 510 },
		"run of another":   func(c *kit.Contents) { c.OtherUnit = disk.Spans{{Start: 9, Count: 2}, {Start: 5, Count: 1}} },
		"run past the end": func(c *kit.Contents) { c.OtherUnit = disk.Spans{{Start: 999, Count: 9}} },
		"mark sector":      func(c *kit.Contents) { c.Identity[0].Sector = 1000 },
		"long note":        func(c *kit.Contents) { c.Notes[0] = strings.Repeat("x", kit.MaxText+1) },
		"note not UTF-8":   func(c *kit.Contents) { c.Notes[0] = "\xff" },
		"many notes":       func(c *kit.Contents) { c.Notes = make([]string, kit.MaxNotes+1) },
		"fact beyond":      func(c *kit.Contents) { c.Facts.Regions[0].Count = 1001 },
		"unknown stored":   func(c *kit.Contents) { c.Source = image.NewKnown(drive(), disk.NewSpans(at(5, 1)), nil) },
		"too many facts":   func(c *kit.Contents) { c.Facts.Entries = make([]kit.Entry, kit.MaxFacts+1) },
		"large rules":      func(c *kit.Contents) { c.RuleSet = make([]byte, kit.MaxRules+1) },
		"described, whole": func(c *kit.Contents) { c.Spans[0].State = kit.Described },
	} {
		c := contents()
		change(c)
		if _, err := kit.Write(io.Discard, c); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
}

// A kit has at most 256 MiB, and that is said before anything is read.
func TestWriteRefusesTooLarge(t *testing.T) {
	c := &kit.Contents{Source: imagetest.New(1<<20, 512), Manifest: kit.Manifest{Sectors: 1 << 20, SectorSize: 512}}
	for _, count := range []disk.Sector{1 << 20, kit.MaxBytes / 512} {
		c.Spans = []kit.Span{{Span: at(0, count), From: layout.FromStart, State: kit.Stored}}
		_, err := kit.Write(io.Discard, c)
		var large *kit.TooLargeError
		if !errors.As(err, &large) || large.Bytes < kit.MaxBytes {
			t.Errorf("%d sectors: %v", count, err)
		}
	}
}

// drawn is a kit with spans drawn at random, and the drive as it should read.
type drawn struct {
	kit.Contents
	want  *imagetest.Disk
	known disk.Spans
}

func draw(rt *rapid.T, src *imagetest.Disk) *drawn {
	d := &drawn{want: imagetest.New(400, 512)}
	d.Source, d.Sectors, d.SectorSize = src, 400, 512
	for x := disk.Sector(0); x < 400; {
		s := at(x+disk.Sector(rapid.IntRange(0, 9).Draw(rt, "gap")), disk.Sector(rapid.IntRange(1, 40).Draw(rt, "count"))).Common(at(0, 400))
		if s.Empty() {
			break
		}
		x = s.End()
		state := rapid.SampledFrom([]kit.State{kit.Stored, kit.Blank, kit.Missing, kit.Removed}).Draw(rt, "state")
		d.Spans = append(d.Spans, kit.Span{Span: s, From: layout.FromStart, State: state})
		switch state {
		case kit.Stored:
			b, err := image.ReadSectors(src, s)
			if err != nil {
				rt.Fatal(err)
			}
			d.want.Put(s.Start, b)
			d.known = d.known.Union(disk.Spans{s})
		case kit.Blank:
			d.known = d.known.Union(disk.Spans{s})
		}
	}
	return d
}

// Whatever spans a kit has, it reads as its drive where it knows it.
func TestAnyKitReadsAsItsDrive(t *testing.T) {
	src := imagetest.New(400, 512)
	disks.Noise(src, at(0, 400), 7)
	rapid.Check(t, func(rt *rapid.T) {
		d := draw(rt, src)
		k := open(t, write(t, &d.Contents))
		off := rapid.Int64Range(0, 400*512-1).Draw(rt, "off")
		p := make([]byte, rapid.IntRange(1, 9000).Draw(rt, "length"))
		n, err := k.ReadAt(p, off)
		end := min(off+int64(len(p)), 400*512)
		asked := disk.Between(disk.Sector(off/512), disk.Sector((end+511)/512))
		if lost := d.known.Outside(asked); len(lost) > 0 {
			var u *image.UnknownError
			if !errors.As(err, &u) || u.Span != lost[0] || n != 0 {
				rt.Fatalf("%d bytes, %v; %v is not known", n, err, lost)
			}
			return
		}
		should := make([]byte, end-off)
		if _, err := d.want.ReadAt(should, off); err != nil {
			rt.Fatal(err)
		}
		if !bytes.Equal(p[:n], should) || (err == io.EOF) != (n < len(p)) {
			rt.Fatalf("%d bytes, %v", n, err)
		}
	})
}

func TestTextsFindsNames(t *testing.T) {
	d := imagetest.New(8, 512)
	d.Put(1, append([]byte("\x01\x02Nora Ellison, 12 Mill Lane\x00\x07SHORT\x00x1Y2z3W4"), make([]byte, 470)...)[:512])
	wide := []byte("\x03\x00")
	for _, c := range "Holiday Songs" {
		wide = append(wide, byte(c), 0)
	}
	d.Put(2, append(wide, make([]byte, 512)...)[:512])
	d.Put(5, append([]byte("Hidden Name Here"), make([]byte, 512)...)[:512])
	spans := []kit.Span{{Span: at(1, 2), State: kit.Stored}, {Span: at(5, 1), State: kit.Removed}}
	found, total, err := kit.Texts(d, spans, 10)
	if err != nil {
		t.Fatal(err)
	}
	want := []kit.Text{{Sector: 1, Offset: 2, Text: "Nora Ellison, 12 Mill Lane"}, {Sector: 2, Offset: 2, Text: "Holiday Songs"}}
	if total != 2 || len(found) != 2 || found[0] != want[0] || found[1] != want[1] {
		t.Errorf("%d: %+v", total, found)
	}
	if found, total, _ := kit.Texts(d, spans, 1); len(found) != 1 || total != 2 {
		t.Errorf("bounded: %d of %d", len(found), total)
	}
}
