package capture

import (
	"math/rand/v2"
	"testing"

	"bootgraft/layout"
)

// The model is the plainest there is: one value a sector.
func TestRunsAgainstOneValueASector(t *testing.T) {
	for seed := range uint64(40) {
		rng := rand.New(rand.NewPCG(seed, 1))
		whole := layout.Sector(1 + rng.IntN(60))
		r, model := newRuns[int](whole), make([]int, whole)
		for range 200 {
			s := layout.Span{Start: layout.Sector(rng.IntN(int(whole))), Count: layout.Sector(rng.IntN(20))}
			v := rng.IntN(3)
			r.set(s, v)
			for x := s.Start; x < min(s.End(), whole); x++ {
				model[x] = v
			}
			checkRuns(t, r, model)
		}
	}
}

func checkRuns(t *testing.T, r *runs[int], model []int) {
	t.Helper()
	for x, want := range model {
		if got := r.get(layout.Sector(x)); got != want {
			t.Fatalf("sector %d has %d, want %d; runs %v", x, got, want, r.at)
		}
	}
	for i := 1; i < len(r.at); i++ {
		if r.at[i].start <= r.at[i-1].start || r.at[i].value == r.at[i-1].value {
			t.Fatalf("runs are not in their shortest form: %v", r.at)
		}
	}
	var n layout.Sector
	for v := range 3 {
		n += r.spans(layout.Span{Count: r.whole}, v).Sectors()
	}
	if n != r.whole {
		t.Fatalf("the values hold %d sectors together, the disk has %d", n, r.whole)
	}
}
