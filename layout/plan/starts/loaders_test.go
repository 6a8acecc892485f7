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
		"emptied": {Target: plan.Size{Sectors: 300_000, SectorSize: 512},
			Volumes: fit.Volumes{Wish: map[int]volume.Wishes{1: {Empty: true}}}},
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
// will not. The long run has every loader once, amid bytes of 41 seeds.
func TestInventedLoadersOnCards(t *testing.T) {
	count := map[string]int{}
	for _, seed := range need.Seeds(1, 41) {
		for _, l := range loaders.Each(41, uint64(seed)) {
			playsCards(t, l, count)
		}
	}
	t.Log(count)
}

// TestNumberAmidAnother: the zeros of a small number make, with a byte before or behind them,
// another small one, beside which stands the same length, zeros and all. It is no link.
func TestNumberAmidAnother(t *testing.T) {
	for _, s := range []loaders.Shape{
		{Holder: loaders.Gap, Coding: loaders.BE32, Unit: loaders.TwoKiB, Length: true},
		{Holder: loaders.Gap, Coding: loaders.Words, Unit: loaders.Sectors, Length: true},
		{Holder: loaders.Gap, Coding: loaders.WordsL, Unit: loaders.Sectors, Length: true, Seed: 31},
		{Holder: loaders.Sector0, Coding: loaders.Words, Unit: loaders.TwoKiB, Seed: 30},
		{Holder: loaders.BootSector, Coding: loaders.WordsL, Unit: loaders.Sectors, Length: true, Seed: 30},
		{Holder: loaders.BootSector, Coding: loaders.LE64, Unit: loaders.Sectors, Length: true, Seed: 102},
		{Holder: loaders.BootSector, Coding: loaders.LE64, Unit: loaders.FourKiB, Length: true, Seed: 116},
	} {
		s.Target = loaders.GapStage
		l, err := loaders.New(s)
		if err != nil {
			t.Fatal(err)
		}
		playsCards(t, l, map[string]int{})
	}
}

// playsCards holds what is said of the cards of a loader against what it does.
func playsCards(t *testing.T, l *loaders.Loader, count map[string]int) {
	t.Helper()
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
