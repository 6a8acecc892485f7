package page

import "bootgraft/layout"

// whyTexts say for the bench why a piece of a card is what it is. A plan file keeps texts of
// its own, which must stay as they are.
var whyTexts = map[layout.Reason]string{
	layout.WhyUnchanged:   "the same bytes at the same place as on the drive",
	layout.WhyTailMoved:   "the tail, which devices look for at the end of a disk, copied to the end of the card",
	layout.WhyTailKept:    "the tail once more where the drive had it, for firmware that looks for it there",
	layout.WhyTable:       "the partition table: its sizes follow the card, all else of it is as on the drive",
	layout.WhyTableCopy:   "the second copy of the partition table, at the end of the card",
	layout.WhyOldTable:    "where the second copy of the partition table was on the drive",
	layout.WhyExcess:      "the card is larger than the drive: nothing of the drive belongs here",
	layout.WhyMissing:     "the drive could not be read here: zeros stand in for what is missing",
	layout.WhyNewIDs:      "identifiers of another unit, or drawn anew, as you asked",
	layout.WhyVolume:      "what a volume of another size needs: its boot sectors, tables and directory entries",
	layout.WhyVolumeMoved: "files and directories that had to move within their volume",
	layout.WhyVolumeFree:  "room of a volume that no file uses",
	layout.WhyRule:        "numbers and checksums that follow the size of the card, by a rule that originals prove",
	layout.WhyEmptied:     "the volume begins empty, as you asked",
	layout.WhyOtherCopy:   "the drive could not be read here: a second copy, elsewhere on it, gives these bytes",
}
