package starts_test

import (
	"errors"
	"fmt"
	"testing"

	"bootgraft/image/disk"
	"bootgraft/image/imagetest/need"
	"bootgraft/layout/plan"
	"bootgraft/layout/plan/card"
	"bootgraft/layout/plan/fit"
	"bootgraft/layout/plan/starts"
	"bootgraft/layout/rule/compare"
	"bootgraft/layout/rule/compare/family"
	"bootgraft/layout/scan"
)

// Cards that rules made, and from which the device's own start-up check says that it
// starts, are never said not to start.
func TestCardsThatRulesMade(t *testing.T) {
	models := family.Named()
	for _, seed := range need.Seeds(6, 100) {
		models = append(models, family.Random(seed))
	}
	tried := 0
	for i, f := range models {
		sizes := family.NamedSizes()
		area := disk.Sector(0x220)
		if i >= len(family.Named()) {
			sizes, area = family.Sizes(int64(i), 104)[:4], 64
		}
		var dumps []compare.Dump
		for k, n := range append(sizes[:len(sizes):len(sizes)], sizes[0]) {
			u := uint64(k + 1)
			dumps = append(dumps, compare.Dump{Name: fmt.Sprint(k), Source: f.Disk(n, family.Unit{Serial: u, Clock: u,
				Songs: u})})
		}
		c, err := compare.Run(t.Context(), dumps, compare.Options{Head: area, Tail: area})
		if err != nil {
			t.Fatal(err)
		}
		src := dumps[0].Source
		m, err := scan.Run(t.Context(), src, scan.Options{})
		if err != nil {
			t.Fatal(err)
		}
		for _, n := range []disk.Sector{sizes[0] * 5 / 4, sizes[0] * 3 / 4} {
			p, err := fit.Plan(t.Context(), src, m, fit.Wishes{Rules: &c.Rules,
				Target: plan.Size{Sectors: n, SectorSize: 512}})
			if no := (*fit.Refused)(nil); errors.As(err, &no) {
				continue // what is asked about is judged elsewhere
			}
			if err != nil {
				t.Fatal(err)
			}
			made, err := card.New(p, src)
			if err != nil {
				t.Fatal(err)
			}
			if f.Check(made) != nil {
				continue
			}
			tried++
			r, err := starts.Judge(t.Context(), p, src, m, starts.Known{})
			if err != nil {
				t.Fatal(err)
			}
			if r.Answer == starts.WillNot {
				for _, l := range r.Links {
					if l.State == starts.Broken {
						t.Errorf("%s, a card of %d sectors: sector %d, byte %d names %s: %s", f.Name, n, l.At, l.Byte, l.Target.Name,
							l.Why)
					}
				}
			}
		}
	}
	if tried < len(family.Named()) {
		t.Errorf("%d cards start: too few to say anything", tried)
	}
	t.Logf("%d cards start", tried)
}
