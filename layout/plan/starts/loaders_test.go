package starts_test

import (
	"context"
	"errors"
	"fmt"
	"testing"

	"bootgraft/image/imagetest/need"
	"bootgraft/layout"
	"bootgraft/layout/plan"
	"bootgraft/layout/plan/card"
	"bootgraft/layout/plan/fit"
	"bootgraft/layout/plan/starts"
	"bootgraft/layout/scan"
	"bootgraft/layout/scan/link/loaders"
	"bootgraft/layout/volume"
)

// cardsOf plans cards of a loader's disk, everything that is asked accepted.
func cardsOf(t *testing.T, l *loaders.Loader, m *layout.Map) map[string]*plan.Plan {
	t.Helper()
	out := map[string]*plan.Plan{}
	for name, w := range map[string]fit.Wishes{
		"same":         {Target: plan.Size{Sectors: l.Sectors, SectorSize: 512}},
		"larger":       {Target: plan.Size{Sectors: 600_000, SectorSize: 512}},
		"larger-end":   {Target: plan.Size{Sectors: 600_000, SectorSize: 512}, Tail: fit.TailEnd},
		"smaller":      {Target: plan.Size{Sectors: 300_000, SectorSize: 512}},
		"much-smaller": {Target: plan.Size{Sectors: 150_000, SectorSize: 512}},
		"emptied":      {Target: plan.Size{Sectors: 300_000, SectorSize: 512}, Volumes: fit.Volumes{Wish: map[int]volume.Wishes{1: {Empty: true}}}},
	} {
		for range 8 {
			p, err := fit.Plan(context.Background(), l.Disk, m, w)
			var no *fit.Refused
			if errors.As(err, &no) && len(no.Why) == 0 && len(no.Need) > 0 {
				for _, f := range no.Need {
					w.Accept = append(w.Accept, f.Code)
				}
				continue
			}
			if err == nil {
				out[name] = p
			} else if !errors.As(err, &no) {
				t.Fatal(err)
			}
			break
		}
	}
	return out
}

// TestInventedLoadersOnCards: a machine that reads the number as the loader does
// starts the card wherever starts has found nothing, and does not where it says that it
// will not.
func TestInventedLoadersOnCards(t *testing.T) {
	count := map[string]int{}
	step := 41
	if need.Long() {
		step = 1
	}
	for _, l := range loaders.Each(step) {
		m, err := scan.Run(context.Background(), l.Disk, scan.Options{})
		if err != nil {
			t.Fatal(err)
		}
		for name, p := range cardsOf(t, l, m) {
			c, err := card.New(p, l.Disk)
			if err != nil {
				t.Fatal(err)
			}
			r, err := starts.Judge(context.Background(), p, l.Disk, m, starts.Known{})
			if err != nil {
				t.Fatal(err)
			}
			runs := l.Starts(c)
			count[fmt.Sprintf("%s, starts %v", r.Answer, runs)]++
			switch {
			case runs && r.Answer == starts.WillNot:
				t.Errorf("%s, %s: it starts, and is said not to: %v", l.Shape, name, r.Ways[0].Broken)
			case !runs && r.Answer == starts.NothingFound:
				t.Errorf("%s, %s: it does not start, and nothing is found: %v", l.Shape, name, r.Ways[0].Chain)
			case runs && r.Answer == starts.CannotKnow && name != "emptied":
				t.Errorf("%s, %s: it starts, and cannot be known: %v", l.Shape, name, r.Ways[0].Cannot)
			}
		}
	}
	t.Log(count)
}
