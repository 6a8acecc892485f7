package blockdev

import (
	"os"
	"path/filepath"

	"bootgraft/image/ata"
)

// Identify returns what the drive said of itself when the kernel met it, or nil if
// the kernel did not keep it: it does so for disks on its own ATA ports, and behind
// no USB bridge. Nothing is asked of the drive.
func (s *Source) Identify() *ata.Identify {
	dir := sysDir(s.rdev)
	if dir == "" {
		return nil
	}
	b, err := os.ReadFile(filepath.Join(wholeDisk(dir), "device/vpd_pg89"))
	if err != nil {
		return nil
	}
	id, err := ata.Parse(b)
	if err != nil {
		return nil
	}
	return id
}
