package page

import (
	"bytes"
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image"
	"bootgraft/image/capture"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/plan"
	"bootgraft/layout/scan/diff"
	"bootgraft/safety"
	"bootgraft/safety/blockdev"
)

var update = flag.Bool("update", false, "write the pages into testdata instead of comparing them")

// inventedMap is a disk with a hole in what is known and with a second table.
func inventedMap() *layout.Map {
	return &layout.Map{
		Sectors: 524_160, SectorSize: 512, Table: "mbr",
		Entries: []layout.Entry{{Index: 1, Span: disk.Span{Start: 63, Count: 504_000}}},
		Regions: []layout.Region{
			{Span: disk.Span{Count: 1}, Role: layout.RoleTable, Name: "partition table"},
			{Span: disk.Span{Start: 1, Count: 62}, Role: layout.RoleGap, Name: "gap before entry 1",
				Content: layout.Content{Looked: true, NonBlank: 49, First: 1, Last: 49, Unread: 2, Signatures: []string{"text: BOOT 2.17"}}},
			{Span: disk.Span{Start: 63, Count: 504_000}, Role: layout.RoleVolume, Name: "fat32 volume 1"},
			{Span: disk.Span{Start: 504_063, Count: 19_841}, Role: layout.RoleGap, Name: "gap", Content: layout.Content{Looked: true, Blank: true}},
			{Span: disk.Span{Start: 523_904, Count: 256}, Role: layout.RoleTail, Anchor: layout.FromEnd, Name: "tail"},
		},
		Tables: []layout.Table{{Kind: "gpt", State: layout.Stale, Entries: []layout.Entry{{Index: 1, Type: "EF00", Span: disk.Span{Start: 2048, Count: 4096}}}}},
		Volumes: []layout.Volume{
			{Index: 1, Span: disk.Span{Start: 63, Count: 504_000}, Kind: "fat32", UsedBytes: 9_000_000},
		},
		Findings: []disk.Finding{
			disk.Notef(disk.NominalSize, disk.NoSector, "a note, told last"),
			disk.Warningf(disk.BootAreaCut, 17, "a warning that is so long that it has to be folded, because no line of a page is longer than a terminal is wide"),
		},
	}
}

// inventedChanges is what a device did that wrote numbers, mended a copy, made
// checksums new, and whose card a desktop had as well.
func inventedChanges() *diff.Report {
	return &diff.Report{
		Sectors: 31_266_816, Compared: 31_260_000, Changed: 6,
		Regions: []diff.Region{
			{Region: layout.Region{Span: disk.Span{Count: 63}, Role: layout.RoleUnknown, Name: "head"}, Changed: 2, Bytes: 20, First: 0, Last: 8,
				Numbers: []diff.Number{{Sector: 0, Byte: 16, Was: []byte{0x2B, 0xB2, 0x30}, Is: []byte{0xDD, 0x18, 0}}}},
			{Region: layout.Region{Span: disk.Span{Start: 63, Count: 31_266_649}, Role: layout.RoleVolume, Name: "fat32 volume 1"}, Unknown: 6816},
			{Region: layout.Region{Span: disk.Span{Start: 31_266_712, Count: 104}, Role: layout.RoleTail, Name: "tail"}, Changed: 1, Bytes: 4,
				First: 31_266_815, Last: 31_266_815, Restored: 1},
		},
		Kinds: []diff.Kind{diff.Numbers, diff.TailFromHead, diff.Checksums, diff.NewFormat, diff.NewVolume, diff.Desktop, diff.Counted},
		Readings: []diff.Reading{
			{Sector: 0, Byte: 16, Width: 4, Encoding: "be32", Value: 31_266_816, Meaning: "sectors of the disk", Was: 19_640_880, WasNumber: true,
				WasDrive: true, ByChance: 3e-7},
			{Sector: 8, Byte: 100, Width: 2, Encoding: "le16", Value: 15_633, Meaning: "a half", Also: []string{"another", "a third", "a fourth", "a fifth"},
				Was: 11, WasNumber: true, WasMeaning: "a quarter", ByChance: 0.004},
			{Sector: 8, Byte: 16, Width: 4, Encoding: "be32", Value: 31_266_816, Meaning: "sectors of the disk", Was: 19_640_880, WasNumber: true,
				WasDrive: true, ByChance: 3e-7},
			{Sector: 31_266_815, Byte: 16, Width: 4, Encoding: "be32", Value: 31_266_816, Meaning: "sectors of the disk", Copied: true, ByChance: 3e-7},
			{Sector: 31_266_815, Byte: 2, Width: 8, Encoding: "dec8", Value: 15_266, Meaning: "MiB of the disk", ByChance: 0.08},
		},
		Copies: []diff.Copy{{Sector: 31_266_815, Of: 0, Order: image.Swap16, Bytes: 4}},
		Renewed: []diff.Renewed{
			{Sector: 0, Byte: 508, Width: 4, Sum: "crc32-ieee", Encoding: "le32", Over: 0, Count: 508, Right: true, ByChance: 1e-16},
			{Sector: 0, Byte: 504, Width: 2, Sum: "sum16-be", Encoding: "be16", Over: 9, Count: 2048, Inside: true, ByChance: 0.001},
		},
		Volumes: []diff.MadeVolume{{Span: disk.Span{Start: 63, Count: 31_000_000}, Index: 1, Kind: "fat32", Maker: "MAKER1.0", Lost: 12}},
		Files: diff.FileChanges{
			Added: []string{"1:TAKE01.WAV"}, Removed: []string{"1:OLD.WAV"}, Changed: []string{"1:SET\n.CFG"}, Desktop: []string{"1:.Trashes/"},
		},
		Original: true,
	}
}

// pages are made from invented values, one for each golden file.
var pages = map[string]func(u *talk.UI){
	"survey":   func(u *talk.UI) { Survey(u, "a/b/old.img", inventedMap()) },
	"no-table": func(u *talk.UI) { Survey(u, "x.img", &layout.Map{Sectors: 1, SectorSize: 512, Table: "none"}) },
	"conflict": func(u *talk.UI) { Survey(u, "x.img", &layout.Map{Sectors: 2, SectorSize: 2048, Table: "conflict"}) },
	"card-file": func(u *talk.UI) {
		Card(u, &Look{Path: "card.img", File: true, Readable: true, Facts: blockdev.Facts{Sectors: 31_116_288, SectorSize: 512}})
	},
	"card-device": func(u *talk.UI) {
		Card(u, &Look{Path: "/dev/sdx", Readable: true, Again: 4096, Facts: blockdev.Facts{
			Sectors: 31_116_288, SectorSize: 512, Physical: 4096, Speed: "480", Erase: 4 << 20, ReadOnly: true,
			Identity: image.Identity{Model: "ACME READER", Serial: "R-7", Bus: "usb"},
			Uses:     []blockdev.Use{{How: blockdev.Mounted, What: "/media/card"}},
		}})
	},
	"plan": func(u *talk.UI) {
		Plan(u, &plan.Plan{
			Target: plan.Size{Sectors: 614_400, SectorSize: 512}, Source: plan.Source{Size: plan.Size{Sectors: 524_160, SectorSize: 512}},
			Pieces: []layout.Piece{
				{Span: disk.Span{Count: 1}, Op: layout.Render, Why: layout.WhyTable},
				{Span: disk.Span{Start: 1, Count: 614_143}, Op: layout.Copy, Why: layout.WhyUnchanged, From: 1},
				{Span: disk.Span{Start: 614_144, Count: 256}, Op: layout.Copy, Why: layout.WhyTailMoved, From: 523_904},
			},
			Dropped: []plan.Dropped{{Span: disk.Span{Start: 600, Count: 2}, Name: "gap", Why: "there is no room"}},
			Findings: []disk.Finding{
				disk.Notef(disk.ThisTry, disk.NoSector, "as it is"), disk.Notef(disk.FurtherTry, disk.NoSector, "with the tail at the end"),
			},
		}, "0123abcd")
	},
	"capture": func(u *talk.UI) {
		Capture(u, "old.img", &capture.Result{
			Sectors: 524_160, Read: 524_100, Missing: disk.Spans{{Start: 101, Count: 1}, {Start: 7700, Count: 24}}, Unread: disk.Spans{{Start: 9000, Count: 35}},
			Classes: map[capture.Class]capture.Tally{capture.Boot: {Total: 1000, Safe: 990, Lost: 1}},
		}, 512)
	},
	"changed": func(u *talk.UI) {
		Changed(u, "card.plan", "card-later.img", inventedChanges(), "bootgraft compare old.img card-later.img")
	},
	"sound": func(u *talk.UI) { Sound(u, manySounds(2)) },
	"differences": func(u *talk.UI) {
		differences(u, &safety.Comparison{
			Unequal: 3, ByOp: map[layout.Op]disk.Sector{layout.Copy: 3}, Notes: []string{"they lie in one run"},
			Differences: []safety.Difference{{Sector: 6100, Offset: 77, Op: layout.Copy, Why: layout.WhyUnchanged, Want: "10", Have: "00", Note: "one bit"}},
		})
	},
}

// Each page is what its golden file says, to the blank; no line is wider than 80
// columns, and with --json nothing of it reaches the answer.
func TestPages(t *testing.T) {
	for name, show := range pages {
		var out bytes.Buffer
		show(&talk.UI{Out: &out})
		file := filepath.Join("testdata", name+".txt")
		if *update {
			if err := os.WriteFile(file, out.Bytes(), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(file)
		if err != nil || out.String() != string(want) {
			t.Errorf("%s is now (%v)\n%s\nand was\n%s", name, err, out.String(), want)
		}
		for line := range strings.Lines(out.String()) {
			if words.Cells(strings.TrimSuffix(line, "\n")) > 80 {
				t.Errorf("%s: too wide: %q", name, line)
			}
		}
		out.Reset()
		if show(&talk.UI{Out: &out, JSON: true}); out.Len() > 0 {
			t.Errorf("%s writes beside the object: %q", name, out.String())
		}
	}
	files, err := filepath.Glob("testdata/*.txt")
	if err != nil || len(files) != len(pages) {
		t.Errorf("%d golden files for %d pages (%v)", len(files), len(pages), err)
	}
}
