package fit

import (
	"slices"
	"strings"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout/layouttest/disks"
	"bootgraft/layout/volume/fat"
)

// textOf returns the text of the first finding with a code.
func textOf(list []disk.Finding, code disk.Code) string {
	i := slices.IndexFunc(list, func(f disk.Finding) bool { return f.Code == code })
	if i < 0 {
		return ""
	}
	return list[i].Text
}

// Missing sectors are told by what they are for: files by name, tables, and
// what no file uses.
func TestMissingSectorsAreToldByUse(t *testing.T) {
	d := imagetest.New(40_000, 512)
	disks.MBR(d, entry(63, 30_000))
	disks.FAT(d, at(63, 30_000), fat.FAT16, 40_000, 90_000)
	v := fatOf(t, d, survey(t, d), 1)
	table, err := v.LoadTable(0)
	if err != nil {
		t.Fatal(err)
	}
	var file disk.Sector
	v.Visit(table, fat.Visitor{File: func(f *fat.File) {
		if !f.Dir {
			file = 63 + f.Extents()[0].Start
		}
	}})
	folder := 63 + v.Cluster(2).Start // TAKES, the first thing that was made
	var r *Refused
	for _, c := range []struct {
		missing []disk.Span
		want    []string
	}{
		{[]disk.Span{at(10, 2), at(file, 2), at(29_000, 4)}, []string{"6 sectors of entry 1", "2 in 1 file " +
			"(/TAKES/SONG1.WAV)", "4 in no file"}},
		{[]disk.Span{at(10, 2), at(folder, 1), at(file, 2)}, []string{"1 in its tables and folders", "2 in no file that " +
			"what is known of the folders names"}},
	} {
		src := image.NewKnown(d, disk.NewSpans(c.missing...), nil)
		_, err := tryPlan(t, src, size(41_000))
		if r = IsRefused(err); r == nil {
			t.Fatal(err)
		}
		got := textOf(r.Need, disk.MissingInVolume)
		for _, want := range c.want {
			if !strings.Contains(got, want) {
				t.Errorf("%q is not in %q", want, got)
			}
		}
	}
	if got := textOf(r.Need, disk.MissingInBootArea); !strings.Contains(got, "capture --retry") ||
		!strings.Contains(got, "--merge IMAGE OTHER --other-drive 10+2 ") {
		t.Errorf("no way out in %q", got)
	}
	w := size(41_000)
	w.Kit = true
	_, err = tryPlan(t, image.NewKnown(d, disk.NewSpans(at(10, 2)), nil), w)
	if got := textOf(IsRefused(err).Need, disk.MissingInBootArea); strings.Contains(got, "--retry") ||
		strings.Contains(got, "--merge") || !strings.Contains(got, "another kit") {
		t.Errorf("no way out of a kit in %q", got)
	}
}

// A wall is told unasked where the card crosses it and the original did not.
func TestWallsAreTold(t *testing.T) {
	for _, c := range []struct {
		name     string
		old, new disk.Sector
		code     string
		severity disk.Severity
		say      string
	}{
		{"28 bits, with a tail", 1 << 20, 1<<28 + 1, "wall-28-bit", disk.Warning, "268,435,455"},
		{"28 bits, the last size within", 1 << 20, 1 << 28, "", "", ""},
		{"28 bits, crossed before", 1<<28 + 9, 1<<28 + 9000, "", "", ""},
		{"31 bits", 1 << 30, 1<<31 + 1, "wall-31-bit", disk.Warning, "2,147,483,647"},
		// 1024*255*63 = 16,450,560 sectors, the end of INT 13h (Phoenix EDD 3.0: 8.4 GB)
		{"cylinders", 1 << 20, 16_450_561, "wall-cylinders", disk.Warning, "16,450,559"},
		{"cylinders, the last size within", 1 << 20, 16_450_560, "", "", ""},
	} {
		d := imagetest.New(c.old, 512)
		disks.MBR(d, entry(63, 9000))
		disks.Noise(d, at(c.old-20, 20), 1)
		p := mustPlan(t, d, size(c.new))
		i := slices.IndexFunc(p.Findings, func(f disk.Finding) bool { return string(f.Code) == c.code })
		if c.code == "" {
			for _, f := range p.Findings {
				if strings.HasPrefix(string(f.Code), "wall-28") && c.new <= 1<<28 || strings.HasPrefix(string(f.Code), "wall-28") &&
					c.old > 1<<28 || c.new < 1<<25 && strings.HasPrefix(string(f.Code), "wall-c") {
					t.Errorf("%s: %+v", c.name, f)
				}
			}
			continue
		}
		if i < 0 || p.Findings[i].Severity != c.severity || !strings.Contains(p.Findings[i].Text, c.say) ||
			!strings.Contains(p.Findings[i].Text, "tail") {
			t.Errorf("%s: %+v", c.name, p.Findings)
		}
	}
	// A FAT16 volume of one-sector clusters ends at 65,524 of them (FG).
	d := imagetest.New(100_000, 512)
	disks.MBR(d, entry(63, 30_000))
	disks.FAT(d, at(63, 30_000), fat.FAT16, 4000)
	p := mustPlan(t, d, size(200_000))
	if text := textOf(p.Findings, "wall-fat-type"); !strings.Contains(text, "65,524") {
		t.Errorf("%+v", p.Findings)
	}
}
