package candidate_test

import (
	"encoding/binary"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/image/imagetest/need"
	"bootgraft/layout/rule/candidate"
)

// dull are kinds of bytes in which numbers stand by chance, or by a rule that
// has nothing to do with the disk. n is the size of the disk in sectors.
var dull = map[string]func(r *rand.Rand, b []byte, n int64){
	"zeros with bytes here and there": func(r *rand.Rand, b []byte, _ int64) {
		for range len(b) / 20 {
			b[r.IntN(len(b))] = byte(r.Uint32())
		}
	},
	"few different bytes": func(r *rand.Rand, b []byte, n int64) {
		all := []byte{0, 0, 1, 2, byte(n), byte(n >> 8), byte(n >> 16), byte(n >> 24)}
		for i := range b {
			b[i] = all[r.IntN(len(all))]
		}
	},
	"sectors of one byte": func(r *rand.Rand, b []byte, _ int64) {
		for i := range b {
			if i%512 == 0 {
				b[i] = []byte{0, 0xE5, 0xF6, 0xFF, 0x4E}[r.IntN(5)]
			} else {
				b[i] = b[i-1]
			}
		}
	},
	"allocation table": func(r *rand.Rand, b []byte, _ int64) {
		v := uint32(r.IntN(1 << 20))
		for i := 0; i+4 <= len(b); i += 4 {
			if r.IntN(40) == 0 {
				v = uint32(r.IntN(1 << 20))
			}
			v++
			binary.LittleEndian.PutUint32(b[i:], v)
		}
	},
	"small numbers": func(r *rand.Rand, b []byte, _ int64) {
		for i := 0; i+4 <= len(b); i += 4 {
			binary.BigEndian.PutUint32(b[i:], uint32(r.IntN(300)))
		}
	},
	"code": func(r *rand.Rand, b []byte, _ int64) { copy(b, code(r, len(b))) },
	"text": func(r *rand.Rand, b []byte, _ int64) {
		for i := range b {
			b[i] = "etaoin shrdlu cmfwyp 0123456789 etaoin"[r.IntN(38)]
		}
	},
	"the size repeated as a filling": func(_ *rand.Rand, b []byte, n int64) {
		for i := 0; i+4 <= len(b); i += 4 {
			binary.BigEndian.PutUint32(b[i:], uint32(n))
		}
	},
	"random bytes": func(r *rand.Rand, b []byte, _ int64) {
		for i := range b {
			b[i] = byte(r.Uint32())
		}
	},
	"a song that holds 55 AA and the size": func(r *rand.Rand, b []byte, n int64) {
		step := 0.01 + r.Float64()/20
		for i := 0; i+4 <= len(b); i += 4 {
			v := 9000*math.Sin(float64(i)*step) + 3000*math.Sin(float64(i)*step*2.7) + 300*r.Float64()
			binary.LittleEndian.PutUint16(b[i:], uint16(int16(v)))
			binary.LittleEndian.PutUint16(b[i+2:], uint16(int16(v*0.8)))
		}
		b[510], b[511] = 0x55, 0xAA
		binary.LittleEndian.PutUint32(b[700:], uint32(n))
		binary.BigEndian.PutUint32(b[3000:], uint32(n-1))
	},
}

// described lists what a report shows, in a few lines.
func described(r *candidate.Report) string {
	text := ""
	for _, f := range r.Fields[:min(3, len(r.Fields))] {
		text += fmt.Sprintf("\n  sector %d byte %d %s %d: %s", f.Sector, f.Offset, f.Encoding, f.Value, f.Meaning)
	}
	invariants := r.Invariants()
	for _, x := range invariants[:min(4, len(invariants))] {
		text += fmt.Sprintf("\n  %s: %.150s", x.Code(), x.Text())
	}
	for _, o := range r.Orders[:min(3, len(r.Orders))] {
		text += fmt.Sprintf("\n  %s is %s: %s", o.Span, o.Order, o.Evidence)
	}
	return text
}

// Bytes that mean nothing show nothing: of forty such disks chance may fool one.
func TestDullDisksShowNothing(t *testing.T) {
	t.Parallel()
	disks, shown := 0, 0
	for name, fill := range dull {
		for _, seed := range need.Seeds(4, 400) {
			disks++
			r := rand.New(rand.NewPCG(uint64(seed), 5))
			n := 100_000 + r.Int64N(60_000_000)
			d := imagetest.New(disk.Sector(n), 512)
			head, tail := make([]byte, 512*(8+r.IntN(40))), make([]byte, 512*(7+r.IntN(20)))
			fill(r, head, n)
			fill(r, tail, n)
			d.Put(0, head)
			d.Put(disk.Sector(n)-disk.Sector(len(tail)/512), tail)
			if rep := look(t, d, ends(d)); rep.Candidates() {
				shown++
				t.Logf("%s, seed %d: %s", name, seed, described(rep))
			}
		}
	}
	t.Logf("%d of %d disks show something", shown, disks)
	if shown > disks/40 {
		t.Error("more than one in forty")
	}
}
