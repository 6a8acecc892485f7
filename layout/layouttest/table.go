// Package layouttest has what tests of partition tables share; disks makes whole disks.
package layouttest

import (
	"errors"
	"fmt"

	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout"
)

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
		return fmt.Errorf("owns %v, ends at %d, sectors of %d bytes, evidence %q", tab.Own, tab.Ends, tab.SectorSize,
			tab.Evidence)
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
	return imagetest.CheckFindings(findings)
}
