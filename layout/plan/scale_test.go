package plan

import (
	"io"
	"os"
	"path/filepath"
	"testing"
	"unsafe"

	"bootgraft/image/disk"
	"bootgraft/layout"
)

// large returns a plan of n pieces and a pool of the given number of MiB.
func large(t testing.TB, n, mib int) *Plan {
	t.Helper()
	rendered := make([]byte, mib<<20)
	for i := range rendered {
		rendered[i] = byte(i * 2654435761 >> 13)
	}
	b := NewBuilder(Size{1 << 28, 512}, source(1<<28))
	b.Render(0, rendered, layout.WhyVolume, layout.RankFirst)
	for range n - 2 {
		at := b.At()
		b.Copy(disk.Span{Start: at, Count: 64}, 1<<27-at/2, layout.WhyVolumeMoved, layout.RankData)
	}
	b.Zero(disk.Between(b.At(), 1<<28), layout.WhyExcess, layout.RankData)
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
