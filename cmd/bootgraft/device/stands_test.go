package device

import (
	"bytes"
	"context"
	"path/filepath"
	"strings"
	"testing"

	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout"
	"bootgraft/layout/plan"
	"bootgraft/safety"
	"bootgraft/safety/faultdev"
	"bootgraft/safety/receipt"
)

// askedCard asks before and after each operation what would be said if the
// program ended there, and compares that with what the card holds.
type askedCard struct {
	*faultdev.Card
	t        *testing.T
	w        *work
	old, new []byte
	said     map[string]int
}

func (c *askedCard) ask() {
	c.t.Helper()
	text, code := c.w.stands()
	now := make([]byte, c.Size())
	if err := image.ReadFull(c.Medium(), now, 0); err != nil {
		c.t.Fatal(err)
	}
	blank := strings.Trim(string(now[:512]), "\x00") == ""
	claim := func(part string, holds bool, want int) {
		if strings.Contains(text, part) {
			c.said[part]++
			if !holds || code != want {
				c.t.Fatalf("it is said, with %d: %s", code, text)
			}
		}
	}
	claim("nothing was written", bytes.Equal(now, c.old), talk.ExitStopped)
	claim("Nothing was written", bytes.Equal(now, c.old), talk.ExitStopped)
	claim("is done", bytes.Equal(now, c.old) || bytes.Equal(now, c.new) || c.w.req.Kind == receipt.FullTest, talk.ExitFenced)
	claim("no disk for any system", blank, talk.ExitFenced)
	claim("may still be taken for a disk", true, talk.ExitFenced)
	claim("stamps may still lie there", true, talk.ExitFenced)
	claim("holds noise", true, talk.ExitFenced)
	if text == "" {
		c.t.Fatal("nothing is said")
	}
}

func (c *askedCard) WriteAt(p []byte, off int64) (int, error) {
	c.ask()
	return c.Card.WriteAt(p, off)
}

func (c *askedCard) Flush() error {
	c.ask()
	defer c.ask()
	return c.Card.Flush()
}

// The last words of a program that ends at once are true of the card at every
// operation of a write, of its undo, and of both tests.
func TestLastWordsNameTheTrueState(t *testing.T) {
	t.Parallel()
	const sectors = 6144
	noise := func(seed byte) []byte {
		b := bytes.Repeat([]byte{seed, 2, 3, 4}, sectors*512/4)
		return b
	}
	old, made := noise(9), noise(5)
	card := faultdev.New(sectors, 512)
	card.Put(0, old)
	w := &work{path: "/dev/card"}
	w.req.Receipt = filepath.Join(t.TempDir(), "receipt")
	asked := &askedCard{Card: card, t: t, w: w, old: old, new: made, said: map[string]int{}}
	do := func(req safety.Request, run func(p *safety.Permit) error) {
		t.Helper()
		r, err := safety.Rehearse(asked, req)
		if err != nil {
			t.Fatal(err)
		}
		p, err := r.Permit(r.Word.String())
		if err != nil {
			t.Fatal(err)
		}
		asked.ask()
		if err := run(p); err != nil {
			t.Fatal(err)
		}
		asked.ask()
	}
	write := func(p *safety.Permit) error { _, err := p.Write(t.Context()); return err }
	req := safety.Request{Kind: receipt.Write, Digest: "plan", Disk: plan.Size{Sectors: sectors, SectorSize: 512}, Receipt: w.req.Receipt,
		Card: imagetest.NewBytes(made, 512), KeepAll: true,
		Pieces: []layout.Piece{{Span: disk.Span{Count: sectors}, Op: layout.Copy, Why: layout.WhyUnchanged}}}
	do(req, write)
	back, kept, err := safety.UndoRequest(req.Receipt)
	if err != nil {
		t.Fatal(err)
	}
	defer kept.Close()
	do(back, write)
	for _, kind := range []receipt.Kind{receipt.QuickTest, receipt.FullTest} {
		w.req.Receipt, w.req.Kind = filepath.Join(t.TempDir(), "test"), kind
		asked.old = old
		do(safety.Request{Kind: kind, Disk: req.Disk, Receipt: w.req.Receipt}, func(p *safety.Permit) (err error) {
			run := map[receipt.Kind]func(context.Context) (safety.Capacity, error){receipt.QuickTest: p.TestQuick, receipt.FullTest: p.TestFull}[kind]
			_, err = run(t.Context())
			return err
		})
	}
	for _, part := range []string{"Nothing was written", "no disk for any system", "may still be taken for a disk", "is done", "stamps may", "holds noise"} {
		found := false
		for said := range asked.said {
			found = found || strings.HasPrefix(said, part)
		}
		if !found {
			t.Errorf("never said: %s", part)
		}
	}
}
