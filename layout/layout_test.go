package layout_test

import (
	"encoding/json"
	"testing"
	"unsafe"

	"bootgraft/image/disk"
	"bootgraft/layout"
)

// TestPieceSize: a fragmented volume needs a million pieces.
func TestPieceSize(t *testing.T) {
	if n := unsafe.Sizeof(layout.Piece{}); n > 32 {
		t.Errorf("a piece takes %d bytes, 32 are allowed", n)
	}
}

func TestNamesComeBack(t *testing.T) {
	for _, r := range layout.Reasons() {
		text, err := r.MarshalText()
		var back layout.Reason
		if err != nil || back.UnmarshalText(text) != nil || back != r || r.Text() == "" {
			t.Errorf("reason %d: %q comes back as %d", r, text, back)
		}
	}
	for _, op := range []layout.Op{layout.Copy, layout.Render, layout.Zero, layout.Leave} {
		text, err := op.MarshalText()
		var back layout.Op
		if err != nil || back.UnmarshalText(text) != nil || back != op {
			t.Errorf("provenance %d: %q comes back as %d", op, text, back)
		}
	}
	for _, f := range []disk.Finding{
		disk.Notef("a-code", disk.NoSector, "text %d", 1), disk.Warningf("b", 0, "zero is a sector"), disk.Refusalf("c", 1<<40, "far"),
	} {
		b, err := json.Marshal(f)
		var back disk.Finding
		if err != nil || json.Unmarshal(b, &back) != nil || back != f {
			t.Errorf("%+v comes back as %+v from %s", f, back, b)
		}
	}
	if _, err := layout.Op(99).MarshalText(); err == nil {
		t.Error("a provenance that does not exist has a name")
	}
	if _, err := layout.Reason(99).MarshalText(); err == nil {
		t.Error("a reason that does not exist has a name")
	}
}
