package boot_test

import (
	"context"
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"bootgraft/image"
	"bootgraft/image/imagetest"
	"bootgraft/image/imagetest/need"
	"bootgraft/layout"
	"bootgraft/layout/boot"
	"bootgraft/layout/compare/family"
)

func look(t testing.TB, src image.Source, areas []boot.Area) *boot.Report {
	t.Helper()
	r, err := boot.Look(context.Background(), src, areas)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// genuine tells whether a field lies where the family has a number, or where
// it has copied one to.
func genuine(f *family.Family, n layout.Sector, x layout.Field) bool {
	at := map[layout.Sector][]layout.Sector{}
	for _, p := range f.Twins() {
		at[layout.Sector(p[0])] = append(at[layout.Sector(p[0])], n-layout.Sector(p[1]))
	}
	for _, k := range f.Numbers {
		s := layout.Sector(k.Sector)
		if k.FromEnd {
			s = n - s
		}
		for _, s := range append(at[s], s) {
			if s == x.Sector && x.Offset < k.Byte+k.Width && k.Byte < x.Offset+x.Width {
				return true
			}
		}
	}
	return false
}

func TestShowRandom(t *testing.T) {
	wrong, right, disks, sums, mirr := 0, 0, 0, 0, 0
	for _, seed := range need.Seeds(40, 400) {
		f := family.Random(seed)
		n := family.Sizes(seed, 1)[0]
		d := f.Disk(n, family.Unit{Serial: uint64(seed), Clock: 2, Songs: uint64(seed)})
		start := time.Now()
		r := look(t, d, boot.Ends(d))
		_ = start
		bad := false
		for _, x := range r.Fields {
			if genuine(f, n, x) {
				right++
				continue
			}
			bad = true
			fmt.Printf("seed %d wrong %+v head %d\n", seed, x, f.Head)
		}
		if bad {
			wrong++
		}
		disks++
		sums += len(r.Checksums)
		mirr += len(r.Mirrors)
		for _, x := range r.Checksums {
			fmt.Println(seed, x.Text(), x.ByChance)
		}
		for _, x := range r.Chains {
			fmt.Println(seed, x.Text(), x.ByChance)
		}
		for _, x := range r.Records {
			fmt.Println(seed, x)
		}
		for _, x := range r.Mirrors {
			fmt.Println(seed, x.Text(), x.ByChance)
		}
	}
	fmt.Println("wrong disks", wrong, "of", disks, "right fields", right, "sums", sums, "mirrors", mirr)
}

var _ = rand.IntN
var _ imagetest.Disk
