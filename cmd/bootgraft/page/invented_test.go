package page

import (
	"errors"
	"time"

	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image/capture"
	"bootgraft/image/capture/audio"
	"bootgraft/image/capture/record"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/kit"
	"bootgraft/layout/kit/gather"
	"bootgraft/layout/scan/files"
	"bootgraft/safety"
	"bootgraft/safety/rescue"
)

// inventedFiles are files of which one is whole, one is a recording with a hole, one
// has more holes than are shown, and one cannot be found.
func inventedFiles() *rescue.Result {
	hole := func(start, count int64) rescue.Hole {
		return rescue.Hole{Range: files.Range{Start: start, Count: count}}
	}
	spoiled := hole(44_144, 512)
	spoiled.Time = &audio.Span{From: 1010 * time.Millisecond, To: 1022 * time.Millisecond}
	var many []rescue.Hole
	for i := range int64(9) {
		many = append(many, hole(i*4096, 512))
	}
	return &rescue.Result{
		Files: []rescue.File{
			{Path: "TAKES/ONE.WAV", Volume: 1, Size: 100_000, SHA256: "00112233445566778899aabbccddeeff", Written: "volume-1/TAKES/ONE.WAV"},
			{Path: "TAKES/TWO.WAV", Volume: 1, Size: 90_000, Missing: []rescue.Hole{spoiled}, Recording: "wav", Written: "volume-1/TAKES/TWO.WAV"},
			{Path: "DATA.BIN", Volume: 1, Size: 40_000, Missing: many},
			{Path: "GONE.TXT", Volume: 2, Size: 12, Missing: []rescue.Hole{hole(0, 12)}, Fault: errors.New("its inode cannot be read")},
			{Path: "LONG.WAV", Volume: 2, Size: 590_000, Left: rescue.NoRoom},
			{Path: "HUGE.WAV", Volume: 2, Size: 5_000_000_000, Left: rescue.TooBig},
		},
		Findings: []disk.Finding{disk.Warningf(disk.FATDirectoryChain, 700, "volume 1: directory /OLD: its chain ends too early").Hiding()},
		Bytes:    5_000_820_012, Copied: 2, Damaged: 3, Zeroed: 1, Incomplete: true, Left: 2, LeftBytes: 5_000_590_000, Untimed: 1,
	}
}

func init() {
	pages["files"] = func(u *talk.UI) {
		r := inventedFiles()
		FilesTitle(u, "old.img", r, 2)
		Files(u, r, &rescue.Folder{Dir: "rescued", Changed: []rescue.Renamed{{Was: "volume-1/CON", Is: "volume-1/_CON"}}}, false,
			"bootgraft files old.img --to FOLDER")
	}
	pages["damaged"] = func(u *talk.UI) { u.Answerf("%s", DamagedList("old.img", inventedFiles())) }
	pages["refused"] = func(u *talk.UI) {
		need := []disk.Finding{disk.Refusalf(disk.TailUndecided, 600, "nobody knows whether firmware looks at the end")}
		u.Answerf("%s\n%s", Refused(nil, need, 1200, "bootgraft plan old.img --size 1000s"), Refused(need, nil, 1200, ""))
	}
	pages["archive"] = func(u *talk.UI) {
		Archive(u, "old.img", &capture.Check{Promised: &record.Digest{1}, Damaged: disk.Spans{{Start: 7, Count: 2}}, Unchecked: disk.Spans{{Start: 90, Count: 1}}})
	}
	pages["written"] = func(u *talk.UI) {
		Written(u, "card.img", safety.Result{Sectors: 614_400, Written: 600_000, Left: 14_400, SHA256: "0123"}, 512, "card.plan card.img")
	}
	pages["verified"] = func(u *talk.UI) {
		Verified(u, "card.img", &safety.Comparison{Compared: 600_000, Left: 14_400, SHA256: "0123"}, nil)
	}
	pages["kit"] = func(u *talk.UI) {
		m := &kit.Manifest{
			Sectors: 524_160, SectorSize: 512, Drive: "BOREAL 20", Notes: []string{"bought 2004"}, Facts: kit.Facts{Table: "mbr"},
			Spans:    []kit.Span{{Span: disk.Span{Count: 63}, From: layout.FromStart, What: "head", State: kit.Stored}},
			Identity: []kit.Mark{{Offset: 440, Count: 4, What: "disk id"}},
		}
		KitMade(u, "a.kit", &gather.Made{Texts: []kit.Text{{Sector: 20, Offset: 7, Text: "made in the bramble works"}}, AllTexts: 1},
			&gather.Written{Manifest: m, Bytes: 40_000, SHA256: []byte{0x01, 0x23}}, 0)
	}
}
