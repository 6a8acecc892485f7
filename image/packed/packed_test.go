package packed

import (
	"bytes"
	"errors"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"bootgraft/image"
	"bootgraft/image/imagetest/need"
)

// packedFile packs bytes into a new file.
func packedFile(t testing.TB, data []byte) string {
	t.Helper()
	var b bytes.Buffer
	w, err := NewWriter(&b)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := w.Write(data); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "a.zst")
	if err := os.WriteFile(path, b.Bytes(), 0o666); err != nil {
		t.Fatal(err)
	}
	return path
}

// sample is a block that does not pack, one of zeros, and a part of one that does.
func sample() []byte {
	out := make([]byte, 2*Block, 3*Block)
	r := rand.NewChaCha8([32]byte{1})
	if _, err := r.Read(out[:Block]); err != nil {
		panic(err)
	}
	return append(out, bytes.Repeat([]byte("song"), 1000*128)...)
}

// TestEverySectorIsReadInPlace, and what zstd itself makes of the file is the image
// (zstd of Facebook as the judge).
func TestEverySectorIsReadInPlace(t *testing.T) {
	want := sample()
	path := packedFile(t, want)
	p, err := Open(path, 512)
	if err != nil {
		t.Fatal(err)
	}
	defer p.Close()
	r := rand.New(rand.NewPCG(1, 2))
	for range 60 {
		off := r.Int64N(p.Size())
		b := make([]byte, min(r.Int64N(3*512)+1, p.Size()-off))
		if err := image.ReadFull(p, b, off); err != nil || !bytes.Equal(b, want[off:off+int64(len(b))]) {
			t.Fatalf("at %d: %v", off, err)
		}
	}
	if start, end := p.NextData(Block); start != 2*Block || end != p.Size() {
		t.Errorf("the hole ends at %d, %d", start, end)
	}
	zstd := need.Tool(t, "zstd")
	out, err := exec.Command(zstd, "-dc", path).Output()
	if err != nil || !bytes.Equal(out, want) {
		t.Errorf("zstd: %v, %d bytes", err, len(out))
	}
}

// TestNoDamageIsRead: whatever byte changes, a read of the whole fails, or gives what was
// packed.
func TestNoDamageIsRead(t *testing.T) {
	want := sample()[Block-512:]
	path := packedFile(t, want)
	whole, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	read := func() error {
		p, err := Open(path, 512)
		if err != nil {
			return err
		}
		defer p.Close()
		b := make([]byte, p.Size())
		if err := image.ReadFull(p, b, 0); err != nil {
			return err
		}
		if !bytes.Equal(b, want) {
			t.Error("other bytes are read as the image")
		}
		return nil
	}
	step := max(1, len(whole)/60)
	for at := 0; at < len(whole); at += step {
		b := bytes.Clone(whole)
		b[at] ^= 0x10
		if err := os.WriteFile(path, b, 0o666); err != nil {
			t.Fatal(err)
		}
		var form *FormError
		if err := read(); err != nil && !errors.As(err, &form) {
			t.Errorf("byte %d: %v", at, err)
		}
	}
	for _, n := range []int{0, 1, 20, len(whole) - 1} {
		if err := os.WriteFile(path, whole[:n], 0o666); err != nil {
			t.Fatal(err)
		}
		if err := read(); err == nil {
			t.Errorf("cut to %d bytes it is read", n)
		}
	}
}

// FuzzOpen: no file makes it crash, or take memory that the file does not pay for.
func FuzzOpen(f *testing.F) {
	b, err := os.ReadFile(packedFile(f, []byte("a few bytes")))
	if err != nil {
		f.Fatal(err)
	}
	f.Add(b)
	f.Fuzz(func(t *testing.T, b []byte) {
		path := filepath.Join(t.TempDir(), "a")
		if err := os.WriteFile(path, b, 0o666); err != nil {
			t.Fatal(err)
		}
		p, err := Open(path, 512)
		if err != nil {
			return
		}
		defer p.Close()
		_, _ = p.ReadAt(make([]byte, 4096), 0) // it may fail, and must return
	})
}
