package disk

import (
	"math/rand/v2"
	"slices"
	"testing"
)

// More changes than one chunk holds, in any order and of any length.
func TestValuesOfManyChunks(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 1))
	const whole = 12 * mostRuns
	r, model := NewValues[int](whole), make([]int, whole)
	for i := range 6000 {
		s := Span{Start: Sector(rng.IntN(whole)), Count: 1}
		if i%600 == 599 {
			s.Count = Sector(rng.IntN(2 * mostRuns))
		}
		v := rng.IntN(3)
		r.Set(s, v)
		for x := s.Start; x < min(s.End(), whole); x++ {
			model[x] = v
		}
		if i%200 == 0 {
			checkValues(t, r, model)
		}
	}
	if len(r.chunks) < 3 {
		t.Fatalf("%d chunks: the test is of no use", len(r.chunks))
	}
	checkValues(t, r, model)
}

// The model is the plainest there is: one value a sector.
func TestValuesAgainstOneASector(t *testing.T) {
	for seed := range uint64(40) {
		rng := rand.New(rand.NewPCG(seed, 1))
		whole := Sector(1 + rng.IntN(60))
		r, model := NewValues[int](whole), make([]int, whole)
		for range 200 {
			s := Span{Start: Sector(rng.IntN(int(whole))), Count: Sector(rng.IntN(20))}
			v := rng.IntN(3)
			r.Set(s, v)
			for x := s.Start; x < min(s.End(), whole); x++ {
				model[x] = v
			}
			checkValues(t, r, model)
		}
	}
}

func checkValues(t *testing.T, r *Values[int], model []int) {
	t.Helper()
	for x, want := range model {
		if got := r.Get(Sector(x)); got != want {
			t.Fatalf("sector %d has %d, want %d; runs %v", x, got, want, r.chunks)
		}
	}
	at := slices.Concat(r.chunks...)
	for i := 1; i < len(at); i++ {
		if at[i].start <= at[i-1].start || at[i].value == at[i-1].value {
			t.Fatalf("runs are not in their shortest form: %v", at)
		}
	}
	var n Sector
	for v := range 3 {
		n += r.Spans(Span{Count: r.whole}, v).Sectors()
	}
	if n != r.whole {
		t.Fatalf("the values hold %d sectors together, the disk has %d", n, r.whole)
	}
}
