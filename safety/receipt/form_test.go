package receipt

import (
	"bytes"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
)

// flushed is a file that knows how much of it was flushed.
type flushed struct {
	bytes.Buffer
	safe int
}

func (f *flushed) ReadAt(p []byte, off int64) (int, error) {
	return bytes.NewReader(f.Bytes()).ReadAt(p, off)
}
func (f *flushed) Truncate(n int64) error { f.Buffer.Truncate(int(n)); return nil }
func (f *flushed) Sync() error            { f.safe = f.Len(); return nil }
func (f *flushed) Close() error           { return nil }

var _ File = (*flushed)(nil)

const held = "what the card held, "

// sealed is a receipt of a card that holds a text over and over, up to its seal. It names
// two sectors as kept, and keeps some.
func sealed(t *testing.T, holds string, kept ...disk.Span) (*flushed, *Writer) {
	t.Helper()
	f := &flushed{}
	w := NewWriter(f)
	two := disk.NewSpans(disk.Span{Start: 3, Count: 2})
	h := Header{Format: Format, Version: Version, Kind: QuickTest, Card: CardID{Sectors: 100, SectorSize: 512},
		Fence: two, Kept: two}
	card := imagetest.New(100, 512)
	card.Put(3, bytes.Repeat([]byte(holds), 52)[:1024])
	for _, err := range []error{w.Line(h), w.Keep(card, kept, func() error { return nil }, func(int64) {}), w.Seal()} {
		if err != nil {
			t.Fatal(err)
		}
	}
	return f, w
}

// The card is touched as soon as the seal, or the line of a stage, is written: all of it
// has to outlast a power cut by then.
func TestASealAndEveryLineAreFlushed(t *testing.T) {
	f, w := sealed(t, held, disk.Span{Start: 3, Count: 2})
	if f.safe != f.Len() {
		t.Errorf("sealed, and only %d of %d bytes are flushed", f.safe, f.Len())
	}
	if err := w.Stage(StageFence, 0); err != nil {
		t.Fatal(err)
	}
	if f.safe != f.Len() {
		t.Errorf("a stage begins, and only %d of %d bytes are flushed", f.safe, f.Len())
	}
}

// A receipt that keeps fewer sectors than it names would undo less than it says.
func TestAReceiptKeepsWhatItNames(t *testing.T) {
	f, _ := sealed(t, held, disk.Span{Start: 3, Count: 1})
	if _, err := From(f, "x"); err == nil {
		t.Error("it names two sectors, keeps one, and is believed")
	}
}

// A byte of what was kept that is another one, in the file or under another seal, is put
// back on no card: the seal and the digest of each part find it, each alone.
func TestWhatWasKeptIsProvedTwice(t *testing.T) {
	f, _ := sealed(t, held, disk.Span{Start: 3, Count: 2})
	whole := bytes.Clone(f.Bytes())
	if _, err := From(bytes.NewReader(whole), "x"); err != nil {
		t.Fatal(err)
	}
	for at := range whole {
		damaged := bytes.Clone(whole)
		damaged[at] ^= 1
		r, err := From(bytes.NewReader(damaged), "x")
		if err == nil && r.Digest != "" {
			t.Errorf("byte %d of %d is another one, and it is believed", at, len(whole))
		}
	}
	// Of a receipt that was read the file is changed before its content is.
	path := filepath.Join(t.TempDir(), "receipt")
	if err := os.WriteFile(path, whole, 0o600); err != nil {
		t.Fatal(err)
	}
	r, err := Read(path)
	if err != nil {
		t.Fatal(err)
	}
	from, n := r.index[0].off, r.index[0].Bytes
	other, _ := sealed(t, strings.ToUpper(held), disk.Span{Start: 3, Count: 2})
	for at := int64(-1); at < n; at++ {
		damaged := bytes.Clone(whole)
		if at < 0 { // a frame that is whole, of another card
			copy(damaged[from:from+n], other.Bytes()[from:])
		} else {
			damaged[from+at] ^= 0x10
		}
		if err := os.WriteFile(path, damaged, 0o600); err != nil {
			t.Fatal(err)
		}
		k, err := r.Open()
		if err != nil {
			t.Fatal(err)
		}
		b := make([]byte, 1024)
		got, err := k.ReadAt(b, 3*512)
		if err == nil && !bytes.HasPrefix(b, []byte(held+held)) || err == io.EOF {
			t.Errorf("byte %d of the frame: %d bytes of something else are given, %v", at, got, err)
		}
		if err := k.Close(); err != nil {
			t.Fatal(err)
		}
	}
}
