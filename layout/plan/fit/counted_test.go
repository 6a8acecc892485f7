package fit

import (
	"context"
	"encoding/binary"
	"fmt"
	"slices"
	"testing"

	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout/plan/card"
	"bootgraft/layout/rule/compare"
)

// cutDrive is the disk of a device that counts whole cylinders of 16 heads and 63
// sectors, and keeps its head once more before the end that it counts.
func cutDrive(n disk.Sector) *imagetest.Disk {
	d := imagetest.New(n, 512)
	s := n / 1008 * 1008
	b := make([]byte, 512)
	copy(b, "INVENTED UNIT THAT COUNTS CYLINDERS")
	binary.BigEndian.PutUint32(b[64:], uint32(s))
	binary.BigEndian.PutUint32(b[72:], uint32(s/32))
	d.Put(0, b)
	d.Put(s-1, b)
	d.Put(s-3, []byte("A PROGRAM"))
	return d
}

// TestCountedSizeIsATry: drives of whole cylinders do not tell what a card that is
// none holds. The plan asks, every size that is left is a try, and one of them is
// the card of the device, with its tail before the end that the device counts.
func TestCountedSizeIsATry(t *testing.T) {
	var dumps []compare.Dump
	for i, n := range []disk.Sector{1008 * 1001, 1008 * 1202, 1008 * 1397} {
		dumps = append(dumps, compare.Dump{Name: fmt.Sprint(i), Source: cutDrive(n)})
	}
	c, err := compare.Run(context.Background(), dumps, compare.Options{Head: 64, Tail: 64})
	if err != nil {
		t.Fatal(err)
	}
	src := cutDrive(1008 * 1001)
	for _, n := range []disk.Sector{1_300_007, 900_001} {
		_, err = planRules(t, src, n, Wishes{Rules: &c.Rules})
		refused := IsRefused(err)
		if refused == nil || !slices.Equal(imagetest.Codes(refused.Need), []string{string(disk.RulesCountedSize)}) {
			t.Errorf("%d sectors: %v; want one question", n, err)
		}
		want, started := cutDrive(n), 0
		for try := 3; try < 9; try++ {
			p, err := planRules(t, src, n, Wishes{Rules: &c.Rules, Try: try, Accept: []disk.Code{disk.RulesUndecided}})
			if refused := IsRefused(err); refused != nil &&
				slices.Contains(imagetest.Codes(refused.Why), string(disk.NoSuchTry)) {
				break
			}
			if err != nil {
				t.Errorf("%d sectors, try %d: %v", n, try, err)
				continue
			}
			made, err := card.New(p, src)
			if err != nil {
				t.Fatal(err)
			}
			s := n / 1008 * 1008
			right := true
			for _, x := range []disk.Sector{0, s - 3, s - 1} {
				right = right && string(sector(made, x)) == string(sector(want, x))
			}
			if right {
				started++
			}
		}
		if started != 1 {
			t.Errorf("%d sectors: %d tries make the card of the device, want one", n, started)
		}
	}
}
