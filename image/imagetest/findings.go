package imagetest

import (
	"fmt"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
)

// Head returns the first n bytes of src, fewer if it is shorter: a seed for a
// fuzz target.
func Head(t testing.TB, src image.Source, n int64) []byte {
	t.Helper()
	b := make([]byte, min(n, src.Size()))
	if err := image.ReadFull(src, b, 0); err != nil {
		t.Fatal(err)
	}
	return b
}

// Headed returns a disk that begins with head and is blank from there.
func Headed(head []byte, sectors disk.Sector, sectorSize int) *Disk {
	d := New(sectors, sectorSize)
	if _, err := d.WriteAt(head[:min(int64(len(head)), d.Size())], 0); err != nil {
		panic(err)
	}
	return d
}

// Codes returns the codes of findings in order.
func Codes(findings []disk.Finding) []string {
	codes := []string{}
	for _, f := range findings {
		codes = append(codes, string(f.Code))
	}
	return codes
}

// CheckFindings tells what is wrong with findings: no code, or no text.
func CheckFindings(findings []disk.Finding) error {
	for _, f := range findings {
		if f.Code == "" || f.Text == "" || f.Severity == "" {
			return fmt.Errorf("finding %+v", f)
		}
	}
	return nil
}
