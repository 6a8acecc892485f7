package fit

import (
	"slices"
	"strings"
	"testing"

	"bootgraft/image/disk"
	"bootgraft/layout/plan/card"
	"bootgraft/layout/scan/link/loaders"
	"bootgraft/layout/volume"
)

// A plain file that boot code names by its sector, in any encoding, is asked about
// where it would move: by a code, with the file, the holder, the byte, the encoding and
// the size that needs no move. With that size the card starts and nothing is asked.
func TestLinkedFilesAreAskedAbout(t *testing.T) {
	for _, s := range []loaders.Shape{
		{Holder: loaders.Sector0, Target: loaders.File, Coding: loaders.LE32, Unit: loaders.Sectors, Last: true},
		{Holder: loaders.Sector0, Target: loaders.File, Coding: loaders.BE32, Unit: loaders.KiB, Last: true},
		{Holder: loaders.MapFile, Target: loaders.File, Coding: loaders.Words, Unit: loaders.Sectors, Last: true,
			Length: true},
		{Holder: loaders.BootSector, Target: loaders.File, Coding: loaders.LE24, Unit: loaders.FromEntry, Last: true,
			Length: true},
		{Holder: loaders.Sector0, Target: loaders.File, Coding: loaders.CHS, Unit: loaders.Sectors, Last: true, Length: true},
	} {
		l, err := loaders.New(s)
		if err != nil {
			t.Fatal(err)
		}
		_, err = tryPlan(t, l.Disk, size(300_000))
		no := IsRefused(err)
		if no == nil || len(no.Why) > 0 || len(no.Need) == 0 {
			t.Fatalf("%s: %v", s, err)
		}
		text := ""
		for _, f := range no.Need {
			if f.Code == disk.LoaderFileMoves {
				text += f.Text
			}
		}
		for _, want := range []string{l.Path, disk.Grouped(l.Named), "byte"} {
			if !strings.Contains(text, want) {
				t.Errorf("%s: %q is not in: %s", s, want, text)
			}
		}
		w := size(300_000)
		w.Accept = []disk.Code{disk.LoaderFileMoves, disk.LinkBroken}
		if p, err := tryPlan(t, l.Disk, w); err != nil {
			t.Errorf("%s, accepted: %v", s, err)
		} else if c, _ := card.New(p, l.Disk); l.Starts(c) {
			t.Errorf("%s: it starts though its file has moved", s)
		}
		p, err := tryPlan(t, l.Disk, size(398_000))
		if err != nil {
			t.Errorf("%s, with room: %v", s, err)
			continue
		}
		if c, _ := card.New(p, l.Disk); !l.Starts(c) {
			t.Errorf("%s: it does not start on a card with room", s)
		}
	}
}

// A linked file of a volume that is made empty is asked about; of a tail that boot code
// names by its address it is told where a smaller card moves it.
func TestLinksThatBreakAreAskedAbout(t *testing.T) {
	for _, c := range []struct {
		shape loaders.Shape
		w     Wishes
		code  disk.Code
	}{
		{loaders.Shape{Holder: loaders.Sector0, Target: loaders.File, Coding: loaders.LE32, Unit: loaders.Sectors},
			wishing(300_000, 1, volume.Wishes{Empty: true}), disk.LinkedFileGone},
		{loaders.Shape{Holder: loaders.Sector0, Target: loaders.Tail, Coding: loaders.LE32, Unit: loaders.Sectors},
			size(398_000), disk.LinkBroken},
	} {
		l, err := loaders.New(c.shape)
		if err != nil {
			t.Fatal(err)
		}
		p, err := tryPlan(t, l.Disk, c.w)
		if c.code == disk.LinkBroken {
			if err != nil || !slices.ContainsFunc(p.Findings, func(f disk.Finding) bool { return f.Code == c.code }) {
				t.Errorf("%s: it is not told: %v", c.shape, err)
			}
			continue
		}
		if no := IsRefused(err); no == nil || len(no.Need) == 0 || no.Need[0].Code != c.code {
			t.Errorf("%s: %v", c.shape, err)
		}
	}
}
