package safety

import (
	"bytes"
	"errors"
	"os"
	"strings"
	"testing"

	"bootgraft/image/disk"
	"bootgraft/image/imagetest/need"
	"bootgraft/layout/plan"
	"bootgraft/safety/blockdev"
	"bootgraft/safety/receipt"
)

// What changes between the rehearsal and the write is noticed, and told apart.
func TestChangedAfterRehearsal(t *testing.T) {
	b := newBench(t)
	node := b.card()
	card := wholeCopy(patterned(5, loopSectors))
	req := Request{Kind: receipt.Write, Digest: "plan", Disk: plan.Size{Sectors: loopSectors, SectorSize: sector},
		Card: card, Pieces: card.pieces, Receipt: b.path("receipt")}
	word := func(req Request) (string, *Rehearsal) {
		target, err := blockdev.OpenTarget(node)
		do(t, err)
		t.Cleanup(func() { target.Close() })
		r, err := Rehearse(target, req)
		do(t, err)
		do(t, target.Close())
		if len(r.Refusals) > 0 {
			t.Fatal(r.Refusals)
		}
		return r.Word.String(), r
	}
	first, r := word(req)
	if again, _ := word(req); again != first {
		t.Errorf("the word of the same thing: %s, then %s", first, again)
	}
	for _, bad := range []string{"", "yes", first + "x", "bado"} {
		if _, err := r.Permit(bad); err == nil || !strings.Contains(err.Error(), "is no confirmation word") {
			t.Errorf("%q: %v", bad, err)
		}
	}
	other := req
	other.Digest = "another plan"
	_, r = word(other)
	wantWrong(t, r, first, "the plan", "the card (", "what the card holds")
	f, err := os.OpenFile(b.path("card.img"), os.O_WRONLY, 0)
	do(t, err)
	_, err = f.WriteAt([]byte("other"), loopSectors*sector-100)
	do(t, errors.Join(err, f.Close()))
	_, r = word(req)
	wantWrong(t, r, first, "what the card holds", "the plan", "the card (")
	now, _ := word(req)
	need.Reattach(b, node, b.path("card.img"), func() {})
	_, r = word(req)
	wantWrong(t, r, now, "the card (", "the plan", "what the card holds")
}

func wantWrong(t *testing.T, r *Rehearsal, word, says string, not ...string) {
	t.Helper()
	_, err := r.Permit(word)
	var refusal *Refusal
	if !errors.As(err, &refusal) || refusal.Code != disk.WrongWord || !strings.Contains(refusal.Why, says) {
		t.Fatalf("want a wrong word because of %q, got %v", says, err)
	}
	for _, n := range not {
		if strings.Contains(refusal.Why, n) {
			t.Errorf("%q did not change: %s", n, refusal.Why)
		}
	}
}

// A loop mounted over a partition of the card after the rehearsal is not held
// off by the open descriptor: the second look finds it.
func TestMountedAfterPermit(t *testing.T) {
	b := newBench(t)
	node := b.card()
	card := wholeCopy(patterned(5, loopSectors))
	target, err := blockdev.OpenTarget(node)
	do(t, err)
	t.Cleanup(func() { target.Close() })
	r, err := Rehearse(target, Request{Kind: receipt.Write, Disk: plan.Size{Sectors: loopSectors, SectorSize: sector},
		Card: card, Pieces: card.pieces, Receipt: b.path("receipt")})
	do(t, err)
	p, err := r.Permit(r.Word.String())
	do(t, err)
	before := fingerprint(t, node)
	b.loop(node)
	_, err = p.Write(t.Context())
	var stop *Stopped
	if !errors.As(err, &stop) || stop.Touched || !strings.Contains(err.Error(), "is used by the loop device") {
		t.Errorf("got %v", err)
	}
	if !bytes.Equal(before, fingerprint(t, node)) {
		t.Error("its bytes changed")
	}
}
