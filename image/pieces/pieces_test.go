package pieces

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
)

// What a piece no longer gives is an error, never zeros.
func TestPartThatShrinks(t *testing.T) {
	path := filepath.Join(t.TempDir(), "head.bin")
	if err := os.WriteFile(path, bytes.Repeat([]byte{0x5A}, 4*512), 0o644); err != nil {
		t.Fatal(err)
	}
	d := New(100, 512)
	if err := d.Add(0, path, "0s"); err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	src := d.Known()
	if b, err := image.ReadSectors(src, disk.Span{Count: 4}); err != nil || b[4*512-1] != 0x5A {
		t.Fatalf("whole: %v", err)
	}
	if err := os.Truncate(path, 512); err != nil {
		t.Fatal(err)
	}
	if b, err := image.ReadSectors(src, disk.Span{Count: 4}); err == nil {
		t.Errorf("cut short: %d bytes and no error", len(b))
	}
	var unknown *image.UnknownError
	if _, err := image.ReadSectors(src, disk.Span{Start: 3, Count: 2}); !errors.As(err, &unknown) {
		t.Errorf("beyond the piece: %v", err)
	}
}
