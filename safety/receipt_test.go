package safety

import (
	"bytes"
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/iotest"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout/plan"
	"bootgraft/safety/faultdev"
	"bootgraft/safety/receipt"
)

func finishedReceipt(t *testing.T) (path string, text []byte) {
	t.Helper()
	card, _ := usedCard()
	path = filepath.Join(t.TempDir(), "receipt")
	req := writeRequest(deviceModel(), path)
	req.KeepAll = true
	if _, err := perform(card, req); err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return path, text
}

// What was kept is what the card held, sector by sector, and nothing else is
// given out.
func TestKeptContent(t *testing.T) {
	path, _ := finishedReceipt(t)
	r, err := receipt.Read(path)
	do(t, err)
	k, err := r.Open()
	do(t, err)
	t.Cleanup(func() { k.Close() })
	got, old := make([]byte, len(oldContent())), oldContent()
	for _, s := range r.Kept {
		do(t, image.ReadFull(k, got[s.Start*large:s.End()*large], int64(s.Start)*large))
		if !bytes.Equal(got[s.Start*large:s.End()*large], old[s.Start*large:s.End()*large]) {
			t.Errorf("sectors %s are not as they were", s)
		}
	}
	left := disk.Span{Start: 400, Count: 50}
	var unknown *image.UnknownError
	if err := image.ReadFull(k, make([]byte, large), 410*large); !errors.As(err, &unknown) {
		t.Errorf("what was not kept: %v", err)
	}
	if u := k.Unknown(disk.Span{Count: cardSectors}); len(u) != 1 || u[0] != left {
		t.Errorf("not known: %v, want %v", u, left)
	}
}

// Every cut and every change is seen: a receipt never gives back other content
// than was kept. What was cut before the seal undoes nothing.
func TestReceiptDamaged(t *testing.T) {
	path, text := finishedReceipt(t)
	_, err := receipt.Read(path)
	do(t, err)
	seal := bytes.LastIndex(text, []byte(`{"sealed":`)) - 1
	for _, cut := range []int{0, 1, 100, seal / 2, seal, seal + 5, len(text) - 1, len(text) - 40} {
		put(t, path, text[:cut])
		r, err := receipt.Read(path)
		switch {
		case cut < 200 && err == nil:
			t.Errorf("cut at %d: %+v", cut, r)
		case cut >= 200 && err != nil:
			t.Errorf("cut at %d: %v", cut, err)
		case err == nil && undoable(r) != (cut > seal+5):
			t.Errorf("cut at %d of %d, sealed at %d: undoable %t", cut, len(text), seal, undoable(r))
		}
	}
	for i := 20; i < seal; i += 1 + seal/200 {
		bad := bytes.Clone(text)
		bad[i] ^= 0x04
		put(t, path, bad)
		if r, err := receipt.Read(path); err == nil && undoable(r) {
			t.Errorf("byte %d was changed, and nobody noticed", i)
		}
	}
}

// A receipt means one thing to every reader: no key stands in its header twice.
func TestReceiptWithAKeyTwice(t *testing.T) {
	path, text := finishedReceipt(t)
	first, rest, _ := bytes.Cut(text, []byte("\n"))
	put(t, path, slices.Concat(bytes.TrimSuffix(first, []byte("}")), []byte(`,"KIND":"test"}`+"\n"), rest))
	if _, err := receipt.Read(path); err == nil || !strings.Contains(err.Error(), "twice") {
		t.Errorf("%v", err)
	}
}

// A receipt that cannot be read is none that was cut off: whoever took it for one
// would make it again, and lose what it keeps.
func TestReceiptUnreadable(t *testing.T) {
	path, text := finishedReceipt(t)
	whole, err := receipt.Read(path)
	do(t, err)
	bad := &image.ReadError{Fault: image.BadSector}
	for at := 0; at < int(whole.End); at += 1 + int(whole.End)/500 {
		var got *image.ReadError
		if _, err := receipt.From(io.MultiReader(bytes.NewReader(text[:at]), iotest.ErrReader(bad)), path); !errors.As(err, &got) {
			t.Errorf("it cannot be read from byte %d on: %v", at, err)
		}
	}
}

func TestReceiptIsNoOther(t *testing.T) {
	dir := t.TempDir()
	if _, err := receipt.Read(dir); err == nil {
		t.Error("a folder is a receipt")
	}
	if _, err := receipt.Read(filepath.Join(dir, "none")); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("none: %v", err)
	}
	for _, text := range []string{"", "{}\n", "[]\n", `{"format":"bootgraft receipt","version":4}` + "\n",
		`{"format":"bootgraft receipt","version":1,"card":{"sectors":-1,"sector_size":512}}` + "\n",
		`{"format":"bootgraft receipt","version":1,"card":{"sectors":10,"sector_size":512},"kept":[{"start":9,"count":9}]}` + "\n"} {
		put(t, filepath.Join(dir, "r"), []byte(text))
		if r, err := receipt.Read(filepath.Join(dir, "r")); err == nil {
			t.Errorf("%q: %+v", text, r)
		}
	}
}

// Whatever the bytes: no panic, no endless loop, and never content that its
// own check number denies.
func FuzzReceipt(f *testing.F) {
	path := filepath.Join(f.TempDir(), "receipt")
	if _, err := perform(faultdev.New(cardSectors, large), writeRequest(deviceModel(), path)); err != nil {
		f.Fatal(err)
	}
	text, err := os.ReadFile(path) // of a blank card, so it is short
	if err != nil {
		f.Fatal(err)
	}
	f.Add(text)
	f.Add(text[:900])
	f.Add([]byte(`{"format":"bootgraft receipt","version":1,"card":{"sectors":10,"sector_size":512}}` + "\n" +
		`{"kept":{"start":0,"count":1,"bytes":2,"sha256":""}}` + "\nab\n"))
	f.Fuzz(func(t *testing.T, text []byte) {
		path := filepath.Join(t.TempDir(), "r")
		put(t, path, text)
		r, err := receipt.Read(path)
		if err != nil || r.Digest == "" {
			return
		}
		k, err := r.Open()
		do(t, err)
		defer k.Close()
		for _, s := range r.Kept {
			_, _ = image.ReadSectors(k, disk.Span{Start: s.Start, Count: min(s.Count, 64)})
		}
	})
}

// A device without a name that is as large as the original may be the original:
// the receipt of a card of that size does not let it pass.
func TestReceiptOfANamelessCard(t *testing.T) {
	m := deviceModel()
	for _, c := range []struct {
		name, serial string
		code         disk.Code
		source       disk.Sector
	}{
		{"a card with a serial number", "0042", "", cardSectors},
		{"one without, of the size of the original", "", disk.TargetIsOriginal, cardSectors},
		{"one without, of another size", "", "", cardSectors + 1},
	} {
		card, _ := usedCard()
		card.Facts.Identity.Serial = c.serial
		source := imagetest.New(c.source, large)
		req := writeRequest(m, filepath.Join(t.TempDir(), "first"))
		_, err := perform(card, req)
		do(t, err)
		head := make([]byte, plan.Edge)
		do(t, image.ReadFull(card, head, 0))
		source.Put(0, head)
		req.Earlier, req.Source = []string{req.Receipt}, source
		req.Receipt = filepath.Join(t.TempDir(), "second")
		r, err := Rehearse(card, req)
		do(t, err)
		if has := r.Refusals.Has(disk.TargetIsOriginal); has != (c.code != "") || c.code == "" && len(r.Refusals) > 0 {
			t.Errorf("%s: %v", c.name, r.Refusals)
		}
	}
}

// The writer stands before the seal, so another one breaks it; a receipt of a
// newer form is refused by name.
func TestReceiptSaysWhoWroteIt(t *testing.T) {
	for _, c := range []struct{ old, new, want string }{
		{"v1.2.3", "v1.2.4", "does not fit its seal"},
		{`"version":3`, `"version":4`, "this receipt is of form 4, and this program reads forms up to 3; a newer bootgraft reads it"},
		{`"written_by":"bootgraft v1.2.3"`, `"written_by":"a\u001bb"`, "no printable character"},
	} {
		head := `{"format":"bootgraft receipt","version":3,"written_by":"bootgraft v1.2.3","kind":"` + string(receipt.QuickTest) +
			`","card":{"sectors":10,"sector_size":512}}` + "\n"
		file := head + `{"sealed":"` + sum([]byte(head)) + `"}` + "\n"
		if r, err := receipt.From(strings.NewReader(file), ""); err != nil || r.Writer != "bootgraft v1.2.3" {
			t.Fatal(r, err)
		}
		if _, err := receipt.From(strings.NewReader(strings.Replace(file, c.old, c.new, 1)), ""); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v", c.new, err)
		}
	}
}
