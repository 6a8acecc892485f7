package safety

import (
	"bytes"
	"context"
	"fmt"
	"path/filepath"
	"strings"
	"testing"

	"bootgraft/image/disk"
	"bootgraft/image/imagetest/need"
	"bootgraft/layout/plan"
	"bootgraft/safety/faultdev"
	"bootgraft/safety/receipt"
)

func testRequest(t *testing.T, k receipt.Kind, n disk.Sector, size int) Request {
	return Request{Kind: k, Disk: plan.Size{Sectors: n, SectorSize: size}, Receipt: filepath.Join(t.TempDir(), "receipt")}
}

func permitFor(t *testing.T, dev Device, req Request) *Permit {
	t.Helper()
	r, err := Rehearse(dev, req)
	do(t, err)
	p, err := r.Permit(r.Word.String())
	do(t, err)
	return p
}

// The lies at all sizes that are likely, and at odd ones.
func realSizes(n disk.Sector) []disk.Sector {
	return []disk.Sector{n / 2, n / 4, n / 8, n/2 + 1, n/2 - 1, n - 1, n - 2, n - 3000, n / 3, n / 7, 2 * n / 3, n*9/10 + 13, 8191, 1 << 14, 1 << 15}
}

// Every card that lies is found, whatever its real size, and put back; an
// honest one is never accused. Fewer than 1,000 sectors are written.
func TestQuickFindsLiars(t *testing.T) {
	const n = 100_000 // 50 MB: enough that stamps are far apart
	head := patterned(4, 3000)
	for _, lie := range []faultdev.Lie{faultdev.Honest, faultdev.Repeats, faultdev.Forgets, faultdev.Noise} {
		sizes := realSizes(n)
		if lie == faultdev.Honest {
			sizes = sizes[:1]
		} else if testing.Short() {
			sizes = []disk.Sector{sizes[0], sizes[len(sizes)/2], sizes[len(sizes)-1]}
		}
		for _, real := range sizes {
			card := faultdev.New(n, sector)
			card.Lie, card.Real = lie, real
			card.Put(0, head)
			c, err := permitFor(t, card, testRequest(t, receipt.QuickTest, n, sector)).TestQuick(context.Background())
			what := fmt.Sprintf("lie %d, real size %d: %+v", lie, real, c)
			do(t, err)
			if (c.Trick == Honest) != (lie == faultdev.Honest) || (c.Trick == Repeats) != (lie == faultdev.Repeats) {
				t.Errorf("wrong: %s", what)
			}
			switch {
			case lie == faultdev.Honest && c.Real != n, c.Trick == Forgets && (c.Real < real || c.Real > real+n/400):
				t.Errorf("wrong size: %s", what)
			case lie == faultdev.Repeats && c.Real%real != 0 && (c.Bad > 0 || real < n-2): // so near the end only an upper bound is known
				t.Errorf("wrong size: %s", what)
			}
			if w := card.Written(); w >= 1000 || c.Written != disk.Sector(w) {
				t.Errorf("%d sectors written: %s", w, what)
			}
			got := make([]byte, len(head))
			if _, err := card.Medium().ReadAt(got, 0); err != nil || !bytes.Equal(got, head) {
				t.Errorf("the start was not put back: %v, %s", err, what)
			}
		}
	}
}

// Random real sizes, too.
func TestQuickFindsAnySize(t *testing.T) {
	const n = 50_000
	seeds := need.Seeds(40, 4000)
	if testing.Short() {
		seeds = seeds[:5]
	}
	for _, seed := range seeds {
		real := 4000 + disk.Sector(seed*7919)%(n-4000)
		card := faultdev.New(n, sector)
		card.Lie, card.Real = faultdev.Repeats, real
		c, err := permitFor(t, card, testRequest(t, receipt.QuickTest, n, sector)).TestQuick(context.Background())
		do(t, err)
		if c.Trick != Repeats {
			t.Errorf("real size %d of %d: %+v", real, n, c)
		}
	}
}

// The figures for a card of 64 GB: sectors written, bytes read.
func TestQuickCostOf64GB(t *testing.T) {
	const n = 125_000_000
	card := faultdev.New(n, sector)
	c, err := permitFor(t, card, testRequest(t, receipt.QuickTest, n, sector)).TestQuick(context.Background())
	do(t, err)
	if c.Trick != Honest || card.Written() >= 1000 || card.Read() > 200<<20 {
		t.Errorf("%+v, %d sectors written, %d bytes read", c, card.Written(), card.Read())
	}
	t.Logf("%d sectors written, %d bytes read", card.Written(), card.Read())
}

// Whatever fails in the test: what it replaced is back, or the undo brings it.
func TestQuickFaults(t *testing.T) {
	const n = 3000
	old := patterned(9, n)
	step := 149
	if testing.Short() {
		step = 599
	}
	for _, f := range []faultdev.Fault{faultdev.Fail, faultdev.Tear, faultdev.Cut, faultdev.Pull} {
		for at := 60; ; at += step {
			card := faultdev.New(n, sector)
			card.Put(0, old)
			req := testRequest(t, receipt.QuickTest, n, sector)
			r, err := Rehearse(card, req)
			do(t, err)
			p, err := r.Permit(r.Word.String())
			do(t, err)
			card.Fault, card.At = f, len(card.Ops())+at
			_, err = p.TestQuick(context.Background())
			if card.Injected() == 0 {
				do(t, err)
				break
			}
			if err == nil {
				t.Fatalf("nobody heard of %s at %d", f, at)
			}
			card.Restart()
			if bytes.Equal(content(t, card), old) {
				continue
			}
			do(t, undo(card, req.Receipt))
			if !bytes.Equal(content(t, card), old) {
				t.Fatalf("not undone: %s at %d", f, at)
			}
		}
	}
}

func TestFullFindsLiars(t *testing.T) {
	const n = 10_000
	for _, c := range []struct {
		lie   faultdev.Lie
		real  disk.Sector
		trick Trick
	}{{faultdev.Honest, 0, Honest}, {faultdev.Repeats, n / 2, Repeats}, {faultdev.Repeats, 7777, Repeats}, {faultdev.Forgets, 9999, Forgets}, {faultdev.Noise, 5000, Forgets}} {
		card := faultdev.New(n, sector)
		card.Lie, card.Real = c.lie, c.real
		card.Put(100, patterned(1, 50))
		got, err := permitFor(t, card, testRequest(t, receipt.FullTest, n, sector)).TestFull(context.Background())
		do(t, err)
		if got.Trick != c.trick || c.trick != Honest && got.Real != c.real || c.trick == Honest && got.Bad != 0 {
			t.Errorf("%+v: %+v", c, got)
		}
		if b := content(t, card); !isFilled(b[:plan.Edge], 0) {
			t.Error("the start is not blank")
		}
	}
}

// A card that repeats is found by an ordinary write as well, before it could
// be taken for a disk.
func TestWriteToLiar(t *testing.T) {
	m := deviceModel()
	for _, lie := range []faultdev.Lie{faultdev.Repeats, faultdev.Forgets} {
		for _, real := range []disk.Sector{cardSectors / 2, 600, cardSectors - 1} {
			card, _ := usedCard()
			card.Lie, card.Real = lie, real
			_, err := perform(card, writeRequest(m, filepath.Join(t.TempDir(), "r")))
			if err == nil || !strings.Contains(err.Error(), "does not give back what was written") {
				t.Errorf("lie %d, real size %d: %v", lie, real, err)
			}
		}
	}
}

// SD Specifications Part 2, boundary units, from memory; SDHC cards up to 32
// GB in 8,192 sectors, as open-source formatters for them do.
func TestBoundary(t *testing.T) {
	for _, c := range []struct {
		sectors disk.Sector
		erase   int64
		want    int64
	}{{121_856, 0, 16 << 10}, {3_971_072, 0, 64 << 10}, {31_116_288, 0, 8192 * 512}, {62_333_952, 0, 8192 * 512}, {250_000_000, 0, 32768 * 512},
		{1_000_000_000, 0, 65536 * 512}, {3_907_029_168, 0, 131072 * 512}, {31_116_288, 16 << 20, 16 << 20}} {
		if got := Boundary(plan.Size{Sectors: c.sectors, SectorSize: 512}, c.erase); got != c.want {
			t.Errorf("%d sectors: %d, want %d", c.sectors, got, c.want)
		}
	}
}
