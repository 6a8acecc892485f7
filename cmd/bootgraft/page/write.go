package page

import (
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image/disk"
	"bootgraft/safety"
)

// Written says what was written to an image file; again is what verify is given.
func Written(u *talk.UI, target string, res safety.Result, sectorSize int, again string) {
	u.Answerf("%s is written: %s\n", target, disk.SizeText(res.Sectors, sectorSize))
	u.Answerf("  %s written", disk.Counted(res.Written, "sector"))
	if res.Left > 0 {
		u.Answerf(", %s not touched: holes in an image file", disk.Grouped(res.Left))
	}
	u.Answerf("\n")
	if res.SHA256 != "" {
		u.Answerf("  SHA-256 of all sectors but those not touched:\n  %s\n", res.SHA256)
	}
	u.Answerf("\nNext, compare every sector with the plan:\n\n  bootgraft verify %s\n", again)
}
