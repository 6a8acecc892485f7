package receipt

import "testing"

// The mark is in one sector of the first MiB, the same for all sector sizes, and
// is known only whole.
func TestMarkSector(t *testing.T) {
	m := NewMark()
	for _, size := range []int{512, 1024, 2048, 4096} {
		b := m.Sector(size)
		if got, ok := MarkIn(b); !ok || got != m || len(b) != size {
			t.Errorf("%d bytes: %x, %t", size, got, ok)
		}
		b[size-1] ^= 1
		if _, ok := MarkIn(b); ok {
			t.Errorf("%d bytes: a changed one is known", size)
		}
		if markBytes%size != 0 || markBytes+size > 1<<20 {
			t.Errorf("%d bytes: not a sector of the first MiB", size)
		}
	}
	var back Mark
	text, _ := m.MarshalText()
	if err := back.UnmarshalText(text); err != nil || back != m {
		t.Errorf("%s: %x, %v", text, back, err)
	}
	if err := back.UnmarshalText([]byte("abcd")); err == nil {
		t.Error("a short one was taken")
	}
}
