//go:build !race

package plan

// The race detector allocates for itself, so these figures mean nothing there.

import (
	"io"
	"runtime"
	"testing"
)

// Reading and writing take 32 bytes a piece and a few MiB, however much is
// rendered: everything ever allocated is counted, not only what stays.
func TestMemory(t *testing.T) {
	const pieces, mib = 200_000, 16
	f, size := largeFile(t, pieces, mib)
	var m0, m1, m2 runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&m0)
	p, err := Decode(f, size)
	runtime.ReadMemStats(&m1)
	if err != nil {
		t.Fatal(err)
	}
	if err := Encode(io.Discard, p); err != nil {
		t.Fatal(err)
	}
	runtime.ReadMemStats(&m2)
	if took, limit := m1.TotalAlloc-m0.TotalAlloc, uint64(pieces*40+2<<20); took > limit {
		t.Errorf("Decode allocated %d bytes, limit %d", took, limit)
	}
	if took := m2.TotalAlloc - m1.TotalAlloc; took > 2<<20 {
		t.Errorf("Encode allocated %d bytes", took)
	}
	if len(p.Pieces) != pieces {
		t.Errorf("%d pieces", len(p.Pieces))
	}
}
