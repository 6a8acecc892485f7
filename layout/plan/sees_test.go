package plan

import (
	"bytes"
	"errors"
	"strings"
	"testing"

	"bootgraft/image/disk"
	"bootgraft/layout"
)

// seen returns a plan of a card of which the device sees 8,192 sectors of 12,288.
func seen(t testing.TB) *Plan {
	t.Helper()
	p := small(t)
	p.WrittenBy = "bootgraft test"
	p.Target.Sectors, p.Sees = 12288, 8192
	p.Pieces = append(p.Pieces, layout.Piece{Span: disk.Span{Start: 8192, Count: 4096}, Op: layout.Zero, Why: layout.WhyExcess})
	return p
}

// What a device sees of its card is in the file, and cut off it is the plan of a card
// of just that size.
func TestSeen(t *testing.T) {
	p := seen(t)
	back := decoded(t, encoded(t, p))
	if back.Sees != 8192 || back.Target.Sectors != 12288 {
		t.Fatalf("it comes back as %d of %d", back.Sees, back.Target.Sectors)
	}
	own := back.Seen()
	if err := own.Check(); err != nil {
		t.Fatal(err)
	}
	want := small(t)
	want.WrittenBy = p.WrittenBy
	if own.Seen() != own || !bytes.Equal(encoded(t, own), encoded(t, want)) {
		t.Errorf("what the device sees is planned as\n%s", encoded(t, own))
	}
	if strings.Contains(string(encoded(t, want)), "sees") {
		t.Error("a card that is seen whole says how much is seen")
	}
	for name, sees := range map[string]disk.Sector{"all": 12288, "more": 12289, "less than nothing": -1, "a part of a piece": 8000} {
		p := seen(t)
		p.Sees = sees
		var proof *ProofError
		if err := p.Check(); !errors.As(err, &proof) || proof.Part != "sees" {
			t.Errorf("%s: %v", name, err)
		}
	}
	file := encoded(t, seen(t))
	for _, c := range [][2]string{
		{`"sees": 8192`, `"sees": 0`},
		{`"sees": 8192`, `"sees": 12288`},
		{`"sees": 8192,`, `"sees": 8192, "sees": 8192,`},
		{`"sees": 8192,`, `"sight": 8192,`},
		{`"sees": 8192,`, ``},
	} {
		forged := edit(t, file, c[0], c[1])
		var bad *FileError
		if _, err := Decode(bytes.NewReader(forged), int64(len(forged))); !errors.As(err, &bad) {
			t.Errorf("%s for %s: %v", c[1], c[0], err)
		}
	}
}
