package plan

import (
	"bytes"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"testing"
	"unsafe"

	"bootgraft/layout"
)

// large returns a plan of n pieces and a pool of the given number of MiB.
func large(t testing.TB, n, mib int) *Plan {
	t.Helper()
	rendered := make([]byte, mib<<20)
	for i := range rendered {
		rendered[i] = byte(i * 2654435761 >> 13)
	}
	b := NewBuilder(Disk{1 << 28, 512}, source(1<<28))
	b.Render(0, rendered, layout.WhyVolume, layout.RankFirst)
	for range n - 2 {
		at := b.At()
		b.Copy(layout.Span{Start: at, Count: 64}, 1<<27-at/2, layout.WhyVolumeMoved, layout.RankData)
	}
	b.Zero(layout.Between(b.At(), 1<<28), layout.WhyExcess, layout.RankData)
	p, err := b.Plan()
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// largeFile writes a plan to a file, so that its text takes no memory.
func largeFile(t testing.TB, n, mib int) (*os.File, int64) {
	t.Helper()
	f, err := os.Create(filepath.Join(t.TempDir(), "plan"))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close() })
	if err := Encode(f, large(t, n, mib)); err != nil {
		t.Fatal(err)
	}
	st, err := f.Stat()
	if err != nil {
		t.Fatal(err)
	}
	return f, st.Size()
}

func TestAPieceTakes32Bytes(t *testing.T) {
	if n := unsafe.Sizeof(layout.Piece{}); n > 32 {
		t.Errorf("a piece takes %d bytes", n)
	}
}

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

func BenchmarkEncode(b *testing.B) {
	p := large(b, 1_000_000, 64)
	b.ReportAllocs()
	for b.Loop() {
		if err := Encode(io.Discard, p); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkDecode(b *testing.B) {
	f, size := largeFile(b, 1_000_000, 64)
	b.SetBytes(size)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Decode(f, size); err != nil {
			b.Fatal(err)
		}
	}
}

// FuzzDecode: no panic, no hang; what is taken passes Check and, written and
// read again, is the same plan.
func FuzzDecode(f *testing.F) {
	file := encoded(f, small(f))
	f.Add(file)
	f.Add(bytes.ReplaceAll(file, []byte("\n"), []byte(" \r\n\t")))
	f.Add(bytes.Replace(file, []byte(`"op":"zero"`), []byte(`"op":"leave"`), 1))
	f.Add(file[:len(file)/2])
	f.Fuzz(func(t *testing.T, file []byte) {
		p, err := Decode(bytes.NewReader(file), int64(len(file)))
		if err != nil {
			if p != nil {
				t.Fatal("a plan and an error")
			}
			return
		}
		if !same(t, p, decoded(t, encoded(t, p))) {
			t.Fatal("another plan after writing and reading it")
		}
	})
}
