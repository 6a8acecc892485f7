package demo

import (
	"path/filepath"
	"strings"
	"testing"
)

// TestDemoModelRefuses: the invented multitrack of the demonstration takes its
// own drives, and says what is wrong with others.
func TestDemoModelRefuses(t *testing.T) {
	for at, want := range map[int64]string{
		-1: "", 10: "SYSTEM AREA DAMAGED", 513: "WRONG DISK SIZE", 3 * 512: "NO PROGRAM", 49_999*512 + 400: "SYSTEM AREAS DIFFER",
	} {
		name := filepath.Join(t.TempDir(), "drive.img")
		if err := makeModelDrive(name, 50_000, 7); err != nil {
			t.Fatal(err)
		}
		if at >= 0 {
			if err := flipByte(name, at); err != nil {
				t.Fatal(err)
			}
		}
		err := startModel(name)
		if (err == nil) != (want == "") || err != nil && !strings.Contains(err.Error(), want) {
			t.Errorf("byte %d: the device says %v, want %q", at, err, want)
		}
	}
}
