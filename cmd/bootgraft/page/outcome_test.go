package page

import (
	"errors"

	"bootgraft/cmd/bootgraft/page/report"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image"
	"bootgraft/image/ata"
	"bootgraft/image/capture"
	"bootgraft/image/capture/record"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/plan/starts"
	"bootgraft/layout/scan/second"
	"bootgraft/safety"
	"bootgraft/safety/archive"
	"bootgraft/safety/blockdev"
)

// inventedStarts is what is said of a card that starts one way and cannot another.
func inventedStarts(answer starts.Answer) *starts.Report {
	return &starts.Report{Answer: answer, Ways: []starts.Way{
		{Method: starts.ActiveEntry, Entry: 1, Answer: starts.NothingFound, Chain: []string{"sector 0 names sector 63"}},
		{Method: starts.Unknown, Answer: answer, Cannot: []string{"firmware may look at the end"}},
	}}
}

// inventedWrite is a card in a reader that is to be written.
func inventedWrite() *CardWrite {
	return &CardWrite{
		CardNow: CardNow{Path: "/dev/sdx", Holds: []string{`fat32 "PEARS", 3 files`}, Facts: blockdev.Facts{
			Sectors: 614_400, SectorSize: 512, Speed: "480", CID: "02544d53", Blind: true,
			Identity: image.Identity{Model: "ACME READER", Serial: "R-7", Bus: "usb", Removable: true}}},
		Plan: inventedPlan(), PlanPath: "card.plan", Receipt: "card.plan.receipt", Try: 2,
		Least: "At least 10 seconds: a little of the card was read just now.", Starts: inventedStarts(starts.CannotKnow),
	}
}

// inventedCapture is a drive of which not everything could be had.
func inventedCapture() *capture.Result {
	return &capture.Result{
		Sectors: 524_160, Read: 524_098, Missing: disk.Spans{{Start: 101, Count: 1}, {Start: 7700, Count: 24}},
		Unread: disk.Spans{{Start: 9000, Count: 35}}, Unstable: disk.Spans{{Start: 60, Count: 2}},
		Skipped: disk.Spans{{Start: 20_000, Count: 2}}, SHA256: &record.Digest{0xAB}, Clock: record.Clock{Reads: 5_300, Errors: 12},
		Classes:  map[capture.Class]capture.Tally{capture.Boot: {Total: 1000, Safe: 990, Lost: 1, Skipped: 2}},
		Findings: []disk.Finding{disk.Warningf(disk.BridgeRepeats, disk.NoSector, "the reader shows the start twice")},
	}
}

// outcomes of invented commands, one for each pair of golden files.
func outcomePages(d *Drive, p *Planned) map[string]*report.Report {
	page := func(title string, code int, err string, a Answer, d *Drive, p *Planned) *report.Report {
		return OutcomeReport(Outcome{Title: title, Code: code, Error: err, Answer: a, Names: []string{"old.img", "card.img", "songbird"}, Program: "bootgraft 1.0"}, d, p)
	}
	with := func(change func(*CardWrite)) Answer {
		c := inventedWrite()
		change(c)
		return c.Answer()
	}
	stop := &safety.Stopped{Stage: "read back", Touched: true, Fenced: true, Err: errors.New("a read failed at sector 4,096")}
	different := &safety.Comparison{
		Compared: 524_160, Left: 90_240, Unequal: 3, ByOp: map[layout.Op]disk.Sector{layout.Copy: 3}, Notes: []string{"they lie in one run"},
		Differences: []safety.Difference{{Sector: 6100, Offset: 77, Op: layout.Copy, Why: layout.WhyUnchanged, Want: "10", Have: "00", Note: "one bit"}},
	}
	capt := CaptureAnswer(inventedCapture(), ata.Drive{Identify: &ata.Identify{Model: "BOREAL 20", Serial: "B-1", Sectors: 524_160, SectorSize: 512}})
	stopped := CaptureAnswer(inventedCapture(), ata.Drive{Why: "it stands behind a reader that passes no questions on"})
	stopped.Next = []string{"bootgraft capture /dev/sdx old.img --only boot"}
	capt.Next = []string{"bootgraft survey old.img"}
	promised := record.Digest{0xAB}
	return map[string]*report.Report{
		"write-image": page("Writing a card image", talk.ExitIncomplete, "done, but 2 sectors that the source does not know are zeros on the card",
			ImageAnswer("card.img", safety.Result{Sectors: 614_400, Written: 524_160, Left: 90_240, Missing: 2, SHA256: "0123"}, 512, "card.plan card.img"), d, p),
		"write-rehearsal": page("Writing a card", talk.ExitDone, "", with(func(c *CardWrite) {
			c.Line = "sudo bootgraft write card.plan /dev/sdx --device --confirm k4t7-h3x9-m5r2w8"
		}), d, p),
		"write-continued": page("Writing a card", talk.ExitDone, "", with(func(c *CardWrite) {
			c.Line, c.Came, c.Upto, c.KeepAll = "bootgraft write ...", "data", 200_000, true
		}), d, p),
		"write-done": page("Writing a card", talk.ExitDone, "", with(func(c *CardWrite) {
			c.Starts = nil
			c.Written = &safety.DeviceResult{Sectors: 614_400, Written: 524_160, Left: 90_240, Receipt: "card.plan.receipt"}
		}), d, p),
		"write-stopped": page("Writing a card", talk.ExitFenced, stop.Error()+"\nThe receipt card.plan.receipt says how far it came. To go on look at "+
			"the card and its reader first", with(func(c *CardWrite) { c.Stopped = stop }), d, p),
		"write-refused": page("Writing a card", talk.ExitRefused, "refusing to write to /dev/sdx; nothing was written.\n  card-holds-files: it holds 3 files\n",
			with(func(c *CardWrite) {
				c.Refused = safety.Refusals{{Code: disk.CardHoldsFiles, Path: "/dev/sdx", Why: "it holds 3 files", Do: "--keep all, or --accept card-holds-files"}}
			}), d, p),
		"capture": page("Reading a drive", talk.ExitIncomplete, "done, but not every sector is safe: 25 missing, 2 unstable", capt, d, nil),
		"capture-stopped": page("Reading a drive", talk.ExitStopped, "the drive is gone; plug it in again and type the same command",
			stopped, d, nil),
		"verify": page("A card, compared with its plan", talk.ExitDone, "", VerifiedAnswer(&safety.Comparison{Compared: 524_160, Left: 90_240, SHA256: "0123"},
			[]second.Opinion{{About: "the mbr table", Verdict: second.Agrees}}), d, p),
		"verify-different": page("A card, compared with its plan", talk.ExitDifferent, "card.img differs from its plan in 3 sectors",
			VerifiedAnswer(different, nil), d, p),
		"verify-image": page("The image of a drive, compared with its record", talk.ExitDifferent, "old.img is damaged in 1 span of sectors",
			ArchiveAnswer(&capture.Check{Promised: &promised, Damaged: disk.Spans{{Start: 7, Count: 2}}, Unchecked: disk.Spans{{Start: 90, Count: 1}}}), nil, nil),
		"verify-archive": page("An archive, compared with its list", talk.ExitDifferent, "songbird is not as it was written: 1 damaged, 0 missing",
			FolderAnswer(&archive.Found{Files: 7, Damaged: []string{"card.plan"}, Added: []string{"photos/new.jpg"}}), nil, nil),
		"starts": page("Will the planned card start?", talk.ExitDone, "", StartsAnswer(inventedStarts(starts.CannotKnow)), d, p),
		"failed": page("Reading a drive", talk.ExitFailed, "old.img: a read failed at sector 7:\n  input/output error\nType the same command again", Answer{}, nil, nil),
	}
}
