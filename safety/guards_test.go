package safety

import (
	"bytes"
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"syscall"
	"testing"

	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/safety/blockdev"
	"bootgraft/safety/faultdev"
)

// A disk that is no card needs its name; the original is known by its identity.
func TestGuardsOnFacts(t *testing.T) {
	m := deviceModel()
	source := imagetest.NewBytes(patterned(1, 64), large)
	for _, c := range []struct {
		name   string
		code   disk.Code
		change func(f *faultdev.Card, req *Request)
	}{
		{"a card", "", func(*faultdev.Card, *Request) {}},
		{"a fixed disk", disk.TargetFixed, func(f *faultdev.Card, _ *Request) { f.Facts.Identity.Bus, f.Facts.Identity.Removable = "ata", false }},
		{"a fixed disk, another named", disk.TargetFixed, func(f *faultdev.Card, r *Request) {
			f.Facts.Identity.Bus, f.Facts.Identity.Removable, r.Fixed = "ata", false, "0043"
		}},
		{"a fixed disk, named", "", func(f *faultdev.Card, r *Request) {
			f.Facts.Identity.Bus, f.Facts.Identity.Removable, r.Fixed = "ata", false, "0042"
		}},
		{"a fixed disk without a serial number, named by its size", "", func(f *faultdev.Card, r *Request) {
			f.Facts.Identity.Bus, f.Facts.Identity.Removable, f.Facts.Identity.Serial = "ata", false, ""
			r.Fixed = fmt.Sprintf("%ds", cardSectors)
		}},
		{"the original behind the same bridge, another size", "", func(f *faultdev.Card, r *Request) { r.Original, r.Source = f.Facts.Identity, source }},
		{"the original, trusted", disk.TargetIsOriginal, func(f *faultdev.Card, r *Request) {
			f.Facts.Identity.Bus = "mmc"
			r.Original, r.Source = f.Facts.Identity, source
		}},
		{"the original behind a bridge", disk.TargetIsOriginal, func(f *faultdev.Card, r *Request) {
			r.Original, r.Source = f.Facts.Identity, imagetest.New(cardSectors, large)
		}},
		{"raid on it", disk.TargetInLayer, func(f *faultdev.Card, _ *Request) {
			f.Facts.Uses = []blockdev.Use{{How: blockdev.Layered, What: "/dev/md0", Device: "/dev/card1"}}
		}},
		{"a member of a volume", disk.TargetInVolume, func(f *faultdev.Card, _ *Request) {
			f.Facts.Uses = []blockdev.Use{{How: blockdev.Member, What: "btrfs 1", Device: "/dev/card"}}
		}},
		{"many mounts", disk.TargetMounted, func(f *faultdev.Card, _ *Request) {
			f.Facts.Uses = slices.Repeat([]blockdev.Use{{How: blockdev.Mounted, What: "/mnt", Device: "/dev/card1"}}, 9)
		}},
	} {
		card, old := usedCard()
		req := writeRequest(m, filepath.Join(t.TempDir(), "receipt"))
		c.change(card, &req)
		_, err := perform(card, req)
		var r *Refusal
		switch {
		case c.code == "" && err != nil:
			t.Errorf("%s: %v", c.name, err)
		case c.code != "" && (!errors.As(err, &r) || r.Code != c.code || !bytes.Equal(old, content(t, card))):
			t.Errorf("%s: want %s, got %v", c.name, c.code, err)
		}
	}
}

// What two guards see, the failed open and the facts, is told once.
func TestOneReasonIsToldOnce(t *testing.T) {
	m := deviceModel()
	for code, change := range map[disk.Code]func(f *blockdev.Facts){
		disk.TargetNoMedium: func(f *blockdev.Facts) { f.Held, f.Sectors = errNoMedium, 0 },
		disk.TargetReadOnly: func(f *blockdev.Facts) { f.Held, f.ReadOnly = syscall.EROFS, true },
	} {
		card, _ := usedCard()
		change(&card.Facts)
		_, err := perform(card, writeRequest(m, filepath.Join(t.TempDir(), "receipt")))
		var all Refusals
		if !errors.As(err, &all) || len(all) != 1 || all[0].Code != code {
			t.Errorf("%s: %v", code, err)
		}
	}
}
