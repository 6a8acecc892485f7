package imagetest

import (
	"errors"
	"fmt"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
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

// CheckTable tells what is wrong with a table that a parser returned, whatever
// the bytes were: its spans are not spans, it lists more than most entries, or
// it is damaged without a finding.
func CheckTable(tab layout.Table, findings []disk.Finding, most int) error {
	if tab.State != layout.InForce && tab.State != layout.Damaged {
		return fmt.Errorf("state %q", tab.State)
	}
	if tab.State == layout.Damaged && len(findings) == 0 {
		return errors.New("damaged, and nothing says why")
	}
	if len(tab.Own) == 0 || tab.Ends < 0 || tab.SectorSize < 512 || len(tab.Evidence) == 0 {
		return fmt.Errorf("owns %v, ends at %d, sectors of %d bytes, evidence %q", tab.Own, tab.Ends, tab.SectorSize, tab.Evidence)
	}
	for _, s := range tab.Own {
		if s.Start < 0 || s.Empty() {
			return fmt.Errorf("owns %v", tab.Own)
		}
	}
	if len(tab.Entries) > most {
		return fmt.Errorf("%d entries", len(tab.Entries))
	}
	seen := map[int]bool{}
	for _, e := range tab.Entries {
		if e.Start < 0 || e.Count < 0 || e.End() < e.Start || seen[e.Index] {
			return fmt.Errorf("entry %+v", e)
		}
		seen[e.Index] = true
	}
	return CheckFindings(findings)
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

// Codes returns the codes of findings in order.
func Codes(findings []disk.Finding) []string {
	codes := []string{}
	for _, f := range findings {
		codes = append(codes, string(f.Code))
	}
	return codes
}
