package scan

import (
	"bytes"
	"slices"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout/layouttest/disks"
)

// TestDamagedTablesAreTold: a table that breaks its own rules does not pass in
// silence, whatever its kind.
func TestDamagedTablesAreTold(t *testing.T) {
	zeros := string(make([]byte, 4))
	for code, broken := range map[disk.Code]*imagetest.Disk{
		disk.DamagedMBR: with(song(), func(d *imagetest.Disk) {
			d.Put(63, make([]byte, 512)) // or it would be a volume without a table
			patch(d, 446, "\x13")        // the boot flag is 00 or 80
		}),
		disk.DamagedApple: with(fixture("apple/three.txt"), func(d *imagetest.Disk) { patch(d, 512+4, zeros) }),
		disk.DamagedAmiga: with(fixture("amiga/two.txt"), func(d *imagetest.Disk) { patch(d, firstOf(t, d, "RDSK")+8, zeros) }),
		disk.DamagedBSD: with(fixture("bsd/fdisk.txt"), func(d *imagetest.Disk) {
			patch(d, firstOf(t, d, "\x57\x45\x56\x82")+132, zeros) // the second magic number
		}),
		disk.DamagedSun:   with(fixture("sun/sfdisk.txt"), func(d *imagetest.Disk) { patch(d, 436, "\x00\x00") }),
		disk.DamagedAtari: onlySector0(t, fixture("atari/chain.txt")), // its chain leads to nothing
	} {
		if s := survey(t, broken); !slices.Contains(imagetest.Codes(s.Findings), string(code)) {
			t.Errorf("%s: %s, %v", code, s.Table, s.Findings)
		}
	}
}

// firstOf returns the byte of the disk where a text stands first.
func firstOf(t *testing.T, d *imagetest.Disk, text string) int64 {
	t.Helper()
	at := bytes.Index(imagetest.Head(t, d, min(d.Size(), 64<<10)), []byte(text))
	if at < 0 {
		t.Fatalf("%q is not in the fixture", text)
	}
	return int64(at)
}

func onlySector0(t *testing.T, d *imagetest.Disk) *imagetest.Disk {
	t.Helper()
	return imagetest.Headed(imagetest.Head(t, d, 512), image.Sectors(d), 512)
}

// TestProtectiveRecordBesideAConflict: where a GPT and a map of another kind
// contradict each other, the record that guards the GPT is not in force either.
func TestProtectiveRecordBesideAConflict(t *testing.T) {
	d := imagetest.New(20000, 512)
	apple := imagetest.Head(t, fixture("apple/blocks2048.txt"), 64*512)
	disks.GPT(d, entry(1000, 9000))
	d.Put(1, apple[512:]) // the first copy is gone, the second stays
	if _, err := d.WriteAt(apple[:446], 0); err != nil {
		t.Fatal(err)
	}
	s := survey(t, d)
	if codes := imagetest.Codes(s.Findings); s.Table != "conflict" || !slices.Contains(codes, string(disk.StaleMBR)) {
		t.Errorf("%s, %v", s.Table, s.Findings)
	}
}

// TestVolumesThatCannotBeUsed: a volume that is recognised and cannot be read is
// told, and the survey goes on.
func TestVolumesThatCannotBeUsed(t *testing.T) {
	bare := with(imagetest.New(8000, 512), func(d *imagetest.Disk) { disks.FAT(d, at(0, 8000), 0, 3000) })
	for code, d := range map[disk.Code]*imagetest.Disk{
		disk.FATTableNotReadable: imagetest.NewBytes(imagetest.Head(t, bare, 512), 512),                 // the image ends before its tables
		disk.VolumeNotReadable:   with(song(), func(d *imagetest.Disk) { patch(d, 63*512+13, "\x03") }), // clusters of 3 sectors
	} {
		if s := survey(t, d); !slices.Contains(imagetest.Codes(s.Findings), string(code)) {
			t.Errorf("%s: %v", code, s.Findings)
		}
	}
}
