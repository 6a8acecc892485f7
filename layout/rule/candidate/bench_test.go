package candidate_test

import (
	"context"
	"math/rand/v2"
	"testing"

	"bootgraft/image/imagetest"
	"bootgraft/layout/rule/candidate"
)

// code returns n bytes of the entropy that machine code has, about 6 bits a
// byte, with a zero run here and there.
func code(r *rand.Rand, n int) []byte {
	b := make([]byte, n)
	for i := 0; i < n; {
		switch r.IntN(24) {
		case 0:
			i += r.IntN(24)
		case 1:
			for k := r.IntN(12); k > 0 && i < n; k-- {
				b[i] = byte('A' + r.IntN(26))
				i++
			}
		default:
			for k := 0; k < 4 && i < n; k++ {
				b[i] = byte(r.IntN(16) * r.IntN(16))
				i++
			}
		}
	}
	return b
}

func benchmarkLook(b *testing.B, head, tail int) {
	const gap = 1 << 20
	r := rand.New(rand.NewPCG(1, 2))
	data := code(r, head+tail)
	all := make([]byte, head+gap+tail)
	copy(all, data[:head])
	copy(all[head+gap:], data[head:])
	d := imagetest.NewBytes(all, 512)
	b.SetBytes(int64(head + tail))
	for b.Loop() {
		if _, err := candidate.Look(context.Background(), d, ends(d)); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkLook64MiB(b *testing.B)      { benchmarkLook(b, 64<<20, 0) }
func BenchmarkLook64And64MiB(b *testing.B) { benchmarkLook(b, 64<<20, 64<<20) }
