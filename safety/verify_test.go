package safety

import (
	"bytes"
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout"
)

func compare(t *testing.T, m *model, target []byte, opt VerifyOptions) *Comparison {
	t.Helper()
	c, err := Verify(context.Background(), m, m.pieces, imagetest.NewBytes(target, sector), opt)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func TestVerifyCountsBeyondLimit(t *testing.T) {
	b := patterned(1, 5000)
	m := wholeCopy(b)
	m.pieces = []layout.Piece{
		{Span: disk.Span{Start: 0, Count: 1}, Op: layout.Render, Why: layout.WhyTable},
		{Span: disk.Span{Start: 1, Count: 2999}, Op: layout.Copy, Why: layout.WhyUnchanged},
		{Span: disk.Span{Start: 3000, Count: 1000}, Op: layout.Zero, Why: layout.WhyMissing},
		{Span: disk.Span{Start: 4000, Count: 500}, Op: layout.Leave, Why: layout.WhyExcess},
		{Span: disk.Span{Start: 4500, Count: 500}, Op: layout.Copy, Why: layout.WhyTailMoved},
	}
	other := patterned(2, 5000)
	c := compare(t, m, other, VerifyOptions{Limit: 3})
	if c.Compared != 4500 || c.Left != 500 || c.Missing != 1000 || c.Unequal != 4500 {
		t.Errorf("totals: %+v", c)
	}
	if c.ByOp[layout.Copy] != 3499 || c.ByOp[layout.Render] != 1 || c.ByOp[layout.Zero] != 1000 || len(c.ByOp) != 3 {
		t.Errorf("by provenance: %v", c.ByOp)
	}
	if c.ByWhy[layout.WhyTailMoved] != 500 || c.ByWhy[layout.WhyMissing] != 1000 || c.ByWhy[layout.WhyTable] != 1 || len(c.ByWhy) != 4 {
		t.Errorf("by reason: %v", c.ByWhy)
	}
	if len(c.Differences) != 3 || c.Differences[2].Sector != 2 || c.Differences[2].Piece != 1 {
		t.Errorf("listed: %+v", c.Differences)
	}
	if none := compare(t, m, other, VerifyOptions{}); len(none.Differences) != 0 || none.Unequal != 4500 {
		t.Errorf("with limit 0: %+v", none)
	}
}

// A difference near the end of a sector shows no byte of the next one.
func TestVerifyShowsOneSector(t *testing.T) {
	m := wholeCopy(patterned(1, 4))
	bad := bytes.Clone(m.file)
	bad[2*sector-3] ^= 1
	bad[2*sector-1] ^= 1
	c := compare(t, m, bad, VerifyOptions{Limit: 9})
	if len(c.Differences) != 1 || c.Differences[0].Offset != sector-3 || len(c.Differences[0].Want) != 6 || len(c.Differences[0].Have) != 6 {
		t.Errorf("%+v", c.Differences)
	}
}

func TestVerifyExplains(t *testing.T) {
	original := patterned(9, 4000)
	card := patterned(1, 4000)
	turned := bytes.Clone(card)
	image.Swap16.Turn(turned[700*sector : 701*sector])
	cut := bytes.Clone(card)
	clear(cut[3001*sector:])
	early := bytes.Clone(cut)
	early[3999*sector+5] = 1
	ff := bytes.Clone(card)
	copy(ff[10*sector:], bytes.Repeat([]byte{0xFF}, sector))
	hole := bytes.Clone(card)
	clear(hole[10*sector : 11*sector])
	for _, c := range []struct {
		name, note, all string
		target          []byte
	}{
		{"the original itself", "what sector 0 of the original holds", "copied without the plan", original},
		{"a byte order", "but 16-bit swapped", "", turned},
		{"cut short", "zeros here", "from sector 3,001 on", cut},
		{"zeros, then more", "zeros here", "", early},
		{"erased", "FF bytes here", "", ff},
		{"one hole", "zeros here", "", hole},
		{"noise", "", "", patterned(5, 4000)},
	} {
		got := compare(t, wholeCopy(card), c.target, VerifyOptions{Limit: 5, Source: imagetest.NewBytes(original, sector)})
		if len(got.Differences) == 0 {
			t.Fatalf("%s: no difference", c.name)
		}
		if n := got.Differences[0].Note; !strings.Contains(n, c.note) || (c.note == "" && n != "") {
			t.Errorf("%s: note %q, want %q", c.name, n, c.note)
		}
		if all := strings.Join(got.Notes, "; "); !strings.Contains(all, c.all) || (c.all == "" && all != "") {
			t.Errorf("%s: notes %q, want %q", c.name, all, c.all)
		}
	}
}

// What was cut short and then given its size again is a hole at the end.
func TestVerifyFindsCutFile(t *testing.T) {
	m := wholeCopy(patterned(1, 3*2048+5))
	path := filepath.Join(t.TempDir(), "card.img")
	write(t, path, m, Options{})
	do(t, os.Truncate(path, 2049*sector))
	do(t, os.Truncate(path, int64(len(m.file))))
	c := verify(t, m, path, VerifyOptions{Limit: 1})
	if c.Unequal != 2*2048+4 || len(c.Notes) != 1 || !strings.Contains(c.Notes[0], "from sector 2,049 on") {
		t.Errorf("%d unequal, notes %q", c.Unequal, c.Notes)
	}
}

func TestVerifyRefusesOtherSize(t *testing.T) {
	m := wholeCopy(patterned(1, 8))
	for _, c := range []struct {
		why    string
		target image.Source
	}{
		{"512 less than the plan says", imagetest.New(7, sector)},
		{"512 more than the plan says", imagetest.New(9, sector)},
		{"5 more than the plan says", imagetest.NewBytes(make([]byte, 8*sector+5), sector)},
		{"its sectors have 4096 bytes", imagetest.New(1, 4096)},
	} {
		_, err := Verify(context.Background(), m, m.pieces, c.target, VerifyOptions{Name: "card.img"})
		var r *Refusal
		if !errors.As(err, &r) || r.Code != disk.TargetSize || r.Path != "card.img" || !strings.Contains(r.Why, c.why) {
			t.Errorf("want %q, got %v", c.why, err)
		}
	}
}

func TestVerifyReadErrors(t *testing.T) {
	m := wholeCopy(patterned(1, 5000))
	bad := errors.New("no answer")
	faulty := &imagetest.Faulty{Source: m, Bad: disk.NewSpans(disk.Span{Start: 4100, Count: 1}), Err: bad}
	for side, pair := range map[string][2]image.Source{"plan": {faulty, m}, "target": {m, faulty}} {
		_, err := Verify(context.Background(), pair[0], m.pieces, pair[1], VerifyOptions{})
		if !errors.Is(err, bad) || !strings.Contains(err.Error(), "sectors 4,096 to 4,999 of the "+side) {
			t.Errorf("%s: %v", side, err)
		}
	}
}

// Verify stops at any step, and never reads what the plan leaves.
func TestVerifyCancel(t *testing.T) {
	m := wholeCopy(patterned(1, 6*2048))
	why := errors.New("somebody pressed a key")
	for at := range 5 {
		ctx, cancel := context.WithCancelCause(context.Background())
		steps := 0
		_, err := Verify(ctx, m, m.pieces, m, VerifyOptions{Hash: true, Progress: func(int64, int64) {
			if steps++; steps > at {
				cancel(why)
			}
		}})
		if !errors.Is(err, why) {
			t.Errorf("step %d: %v", at, err)
		}
	}
}

// liar is a source whose NextData breaks its contract.
type liar struct{ image.Source }

func (liar) NextData(off int64) (start, end int64) { return off - 7, off - 9 }

// Whatever a source says about its holes, its runs tile it.
func TestDataRunsTile(t *testing.T) {
	for _, src := range []image.Source{
		imagetest.New(0, sector), imagetest.New(300_000, sector), imagetest.NewBytes(patterned(1, 300), sector),
		imagetest.NewBytes(make([]byte, 1000), sector), liar{imagetest.New(5000, sector)},
	} {
		at := int64(0)
		for r := range dataRuns(src, 0, src.Size()) {
			if r.off != at || r.end <= r.off {
				t.Fatalf("run %+v after byte %d", r, at)
			}
			at = r.end
		}
		if at != src.Size() {
			t.Errorf("the runs end at %d of %d", at, src.Size())
		}
	}
}
