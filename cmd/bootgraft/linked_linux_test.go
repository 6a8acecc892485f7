package main

import (
	"encoding/json"
	"fmt"
	"os"
	"regexp"
	"strings"
	"testing"

	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout/plan/starts"
	"bootgraft/layout/scan/link/loaders"
)

// TestRefusalOfALinkedFileTellsAll: where a file that boot code names would move, the page
// names the file, what holds the number, its byte, its encoding, the code to accept, and
// the smallest card of which nothing is asked; a card of that size is planned and starts,
// as the loader itself finds, and a sector less is refused.
func TestRefusalOfALinkedFileTellsAll(t *testing.T) {
	unasked := regexp.MustCompile(`The smallest card of which nothing is asked has ([0-9,]+) sectors`)
	for _, c := range []struct {
		shape  loaders.Shape
		holder string
		coding string // as the page has it
	}{
		{loaders.Shape{Holder: loaders.Sector0, Coding: loaders.BE32, Unit: loaders.KiB}, "sector 0 (sector 0, byte 144)", "4 bytes, highest first, units of 1 KiB"},
		{loaders.Shape{Holder: loaders.BootSector, Coding: loaders.LE24, Unit: loaders.FromEntry, Length: true}, "boot sectors of volume 1 (sector 64, byte 144)", "3 bytes, lowest first, sectors from the start of entry 1"},
		{loaders.Shape{Holder: loaders.MapFile, Coding: loaders.Words, Unit: loaders.Sectors, Length: true}, "volume 1: LOADER.MAP (sector ",
			"4 bytes, highest first, then the bytes of each 16-bit word exchanged, sectors from"},
	} {
		c.shape.Target, c.shape.Last = loaders.File, true
		l, err := loaders.New(c.shape)
		if err != nil {
			t.Fatal(err)
		}
		y := newTypist(t)
		old := imagetest.Save(t, l.Disk)
		_, page := y.types(talk.ExitRefused, "plan", old, "--size", "300000s", "-o", "p")
		one := strings.Join(strings.Fields(page), " ")
		for _, want := range []string{l.Path, disk.Grouped(l.Named), c.holder, "in " + c.coding, "--accept loader-file-moves"} {
			if !strings.Contains(one, want) {
				t.Errorf("%s: %q is not on the page:\n%s", c.shape, want, page)
			}
		}
		m := unasked.FindStringSubmatch(one)
		if m == nil {
			t.Errorf("%s: the smallest card is not on the page:\n%s", c.shape, page)
			continue
		}
		var n int64
		if _, err := fmt.Sscan(strings.ReplaceAll(m[1], ",", ""), &n); err != nil {
			t.Fatal(err)
		}
		y.types(talk.ExitRefused, "plan", old, "--size", fmt.Sprintf("%ds", n-1), "-o", "p")
		y.types(talk.ExitDone, "plan", old, "--size", fmt.Sprintf("%ds", n), "-o", "p")
		out, _ := y.types(talk.ExitDone, "starts", "p", "--json")
		var said document.Starts
		if err := json.Unmarshal([]byte(out), &said); err != nil || said.Answer != starts.NothingFound {
			t.Errorf("%s: starts says %s, %v", c.shape, said.Answer, err)
		}
		y.types(talk.ExitDone, "write", "p", "card.img")
		card, err := os.Open(y.path("card.img"))
		if err != nil {
			t.Fatal(err)
		}
		if !l.Starts(card) {
			t.Errorf("%s: a card of %d sectors does not start", c.shape, n)
		}
		card.Close()
	}
}
