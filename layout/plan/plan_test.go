package plan

import (
	"bytes"
	"testing"

	"pgregory.net/rapid"
)

func TestRoundTrip(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		p := draw(r)
		file := encoded(t, p)
		q := decoded(t, file)
		if !same(t, p, q) {
			r.Fatalf("not the same plan after reading it back:\n%s", file)
		}
		a, errA := p.Digest()
		b, errB := q.Digest()
		if errA != nil || errB != nil || a != b {
			r.Fatalf("digests %s %v and %s %v", a, errA, b, errB)
		}
		if again := encoded(t, q); !bytes.Equal(file, again) {
			r.Fatalf("written again it differs")
		}
	})
}

// Whatever one byte of a plan file becomes, it is refused or says the same.
func TestEveryEditIsSeen(t *testing.T) {
	p := small(t)
	file := encoded(t, p)
	for i := range file {
		for _, c := range []byte{file[i] ^ 1, file[i] ^ 0x20, '9', ' ', '"', ','} {
			edited := bytes.Clone(file)
			edited[i] = c
			if q, err := Decode(bytes.NewReader(edited), int64(len(edited))); err == nil && !same(t, p, q) {
				t.Errorf("byte %d: %q became %q, and that made another plan", i, file[i], c)
			}
		}
		cut := append(bytes.Clone(file[:i]), file[i+1:]...)
		if q, err := Decode(bytes.NewReader(cut), int64(len(cut))); err == nil && !same(t, p, q) {
			t.Errorf("byte %d: without %q it is another plan", i, file[i])
		}
		if _, err := Decode(bytes.NewReader(file), int64(i)); err == nil && i < len(file)-1 {
			t.Errorf("the first %d bytes are taken for a plan", i)
		}
	}
}
