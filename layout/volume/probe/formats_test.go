package probe

import (
	"encoding/binary"
	"errors"
	"slices"
	"testing"
	"unicode/utf16"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout"
)

// hfsPlusHeader is a volume header after TN1150, "Volume Header": 1024 blocks
// of 4096 bytes, 24 of them free, catalog in blocks 8 to 9 and 20 to 29.
func hfsPlusHeader(signature string) []byte {
	b := make([]byte, 512)
	be := binary.BigEndian
	copy(b, signature)
	be.PutUint16(b[2:], 4)
	if signature == "HX" {
		be.PutUint16(b[2:], 5)
	}
	be.PutUint32(b[40:], 4096)
	be.PutUint32(b[44:], 1024)
	be.PutUint32(b[48:], 24)
	be.PutUint64(b[104:], 0x0123456789ABCDEF)
	for i, v := range []uint32{8, 2, 20, 10} {
		be.PutUint32(b[hfsPlusCatalog+16+4*i:], v)
	}
	return b
}

// hfsPlusDisk adds the header node of the catalog and, in the second extent,
// its first leaf, which names the root folder "Très Long". TN1150, "B-Trees".
func hfsPlusDisk(signature string) *imagetest.Disk {
	be := binary.BigEndian
	d := imagetest.New(8192, 512)
	d.Put(2, hfsPlusHeader(signature))
	head := make([]byte, 512)
	be.PutUint32(head[20:], 2) // leafRecords
	be.PutUint32(head[24:], 3) // firstLeafNode: byte 12288 of the file, past the first extent
	be.PutUint16(head[32:], 4096)
	d.Put(8*8, head)
	leaf := make([]byte, 4096)
	leaf[8] = 0xFF
	be.PutUint16(leaf[10:], 1)
	name := utf16.Encode([]rune("Très Long"))
	be.PutUint32(leaf[16:], 1)
	be.PutUint16(leaf[20:], uint16(len(name)))
	for i, u := range name {
		be.PutUint16(leaf[22+2*i:], u)
	}
	d.Put(21*8, leaf)
	return d
}

// wrappedDisk is an HFS Plus volume in a wrapper, after TN1150, "HFS Wrapper":
// allocation blocks of 4096 bytes from sector 16, the inner volume from the
// second of them, which is sector 24.
func wrappedDisk() *imagetest.Disk {
	be := binary.BigEndian
	d := imagetest.New(9000, 512)
	inner := hfsPlusDisk("H+")
	b := make([]byte, 8192*512)
	if _, err := inner.ReadAt(b, 0); err != nil {
		panic(err)
	}
	d.Put(24, b)
	mdb := make([]byte, 512)
	copy(mdb, "BD")
	be.PutUint16(mdb[18:], 1100)
	be.PutUint32(mdb[20:], 4096)
	be.PutUint16(mdb[28:], 16)
	mdb[36] = 7
	copy(mdb[37:], "wrapper")
	copy(mdb[124:], "H+")
	be.PutUint16(mdb[126:], 1)
	be.PutUint16(mdb[128:], 1024)
	d.Put(2, mdb)
	return d
}

func TestHFSPlus(t *testing.T) {
	for _, signature := range []string{"H+", "HX"} {
		d := hfsPlusDisk(signature)
		v, findings := recognise(t, d, image.Whole(d))
		want := layout.Volume{
			Span: disk.Span{Count: 8192}, Kind: "hfsplus", Label: "Très Long", ID: "0123456789ABCDEF",
			ClusterBytes: 4096, UsedBytes: 1000 * 4096, Sized: true,
		}
		if !sameVolume(*v, want) || len(findings) != 0 {
			t.Errorf("%s: got %+v, %v", signature, v, findings)
		}
		theirs := imagetest.Blkid(t, imagetest.Save(t, d))
		if theirs["TYPE"] != v.Kind || theirs["LABEL"] != v.Label {
			t.Errorf("blkid says %v, we say %+v", theirs, v)
		}
	}
}

func TestWrappedHFSPlus(t *testing.T) {
	d := wrappedDisk()
	v, findings := recognise(t, d, image.Whole(d))
	if v.Kind != "hfsplus" || v.Label != "Très Long" || v.Span != (disk.Span{Count: 16 + 1100*8 + 2}) || v.UsedBytes != 1000*4096 {
		t.Errorf("got %+v", v)
	}
	if got := imagetest.Codes(findings); !slices.Equal(got, []string{"hfs-wrapper"}) {
		t.Errorf("findings %v", got)
	}
	theirs := imagetest.Blkid(t, imagetest.Save(t, d))
	if theirs["TYPE"] != v.Kind || theirs["LABEL"] != v.Label {
		t.Errorf("blkid says %v, we say %+v", theirs, v)
	}
}

// squashfsHeader makes a super block of an old version, after the structures
// squashfs_super_block of versions 1 to 3.
func squashfsHeader(magic string, order binary.ByteOrder, major uint16, used uint64) []byte {
	b := make([]byte, 512)
	copy(b, magic)
	order.PutUint16(b[28:], major)
	order.PutUint32(b[8:], uint32(used))
	order.PutUint16(b[32:], 32768)
	if major >= 2 {
		order.PutUint32(b[51:], 65536)
	}
	if major == 3 {
		order.PutUint64(b[63:], used)
	}
	return b
}

func TestOldSquashfs(t *testing.T) {
	for _, c := range []struct {
		magic string
		order binary.ByteOrder
	}{{"hsqs", binary.LittleEndian}, {"sqsh", binary.BigEndian}, {"shsq", binary.LittleEndian}, {"qshs", binary.BigEndian}} {
		for major := uint16(1); major <= 3; major++ {
			d := imagetest.New(100, 512)
			d.Put(0, squashfsHeader(c.magic, c.order, major, 5000))
			v, findings := recognise(t, d, image.Whole(d))
			block := int64(65536)
			if major == 1 {
				block = 32768
			}
			if v.Kind != "squashfs" || v.Count != 10 || v.UsedBytes != 5000 || v.ClusterBytes != block {
				t.Errorf("%s version %d: got %+v", c.magic, major, v)
			}
			if got := imagetest.Codes(findings); !slices.Equal(got, []string{"volume-old-version"}) {
				t.Errorf("%s version %d: findings %v", c.magic, major, got)
			}
		}
	}
}

// Version 0 swap says no size: the entry gives it. Version 1 of a big-endian
// machine counts in its own order.
func TestSwapVersions(t *testing.T) {
	for page := int64(4096); page <= 65536; page *= 2 {
		d := imagetest.New(4096, 512)
		if _, err := d.WriteAt([]byte("SWAP-SPACE"), page-10); err != nil {
			t.Fatal(err)
		}
		v, _ := recognise(t, d, disk.Span{Count: 4000})
		if v.Kind != "swap" || v.Sized || v.Count != 4000 || v.ClusterBytes != page {
			t.Errorf("version 0, page %d: got %+v", page, v)
		}
		if _, err := d.WriteAt([]byte("SWAPSPACE2"), page-10); err != nil {
			t.Fatal(err)
		}
		if _, err := d.WriteAt([]byte{0, 0, 0, 1, 0, 0, 0, 15}, swapInfo); err != nil {
			t.Fatal(err)
		}
		v, _ = recognise(t, d, disk.Span{Count: 4000})
		if !v.Sized || v.Count != disk.Sector(16*page/512) || v.ID != "" {
			t.Errorf("version 1, page %d: got %+v", page, v)
		}
	}
}

// changed returns a fixture with some bytes replaced.
func changed(t testing.TB, file string, at int64, b ...byte) *imagetest.Disk {
	t.Helper()
	return patch(imagetest.Load(t, fixtures+file), at, b...)
}

func patch(d *imagetest.Disk, at int64, b ...byte) *imagetest.Disk {
	if _, err := d.WriteAt(b, at); err != nil {
		panic(err)
	}
	return d
}

func TestFindings(t *testing.T) {
	for _, c := range []struct {
		name string
		disk *imagetest.Disk
		want []string
	}{
		// Microsoft exFAT specification, 3.4: VolumeFlags and PercentInUse
		// are left out of the checksum, all else is in it.
		{"exFAT: flags alone", changed(t, "exfat.txt", 106, 2, 0), nil},
		{"exFAT: percentage alone", changed(t, "exfat.txt", 112, 50), nil},
		{"exFAT: boot code", changed(t, "exfat.txt", 200, 1), []string{"boot-checksum", "boot-backup-differs"}},
		{"exFAT: second copy gone", changed(t, "exfat.txt", 12*512, make([]byte, 512)...), []string{"boot-backup-differs"}},
		{"exFAT: checksum", changed(t, "exfat.txt", 11*512, 1), []string{"boot-checksum"}},
		{"NTFS: second copy gone", changed(t, "ntfs.txt", 8191*512, make([]byte, 512)...), []string{"boot-backup-differs"}},
		{"NTFS: boot code", changed(t, "ntfs.txt", 300, 1), []string{"boot-backup-differs"}},
		{"ISO: size in one order", changed(t, "iso9660.txt", 64*512+84, 1), []string{"volume-sizes-differ"}},
	} {
		_, findings := recognise(t, c.disk, image.Whole(c.disk))
		if got := imagetest.Codes(findings); !slices.Equal(got, c.want) && len(got)+len(c.want) > 0 {
			t.Errorf("%s: findings %v, want %v", c.name, got, c.want)
		}
	}
}

func TestMalformed(t *testing.T) {
	for _, c := range []struct {
		name string
		disk *imagetest.Disk
	}{
		{"exFAT: sectors of 2^255", changed(t, "exfat.txt", 108, 255)},
		{"exFAT: clusters of 2^255", changed(t, "exfat.txt", 109, 255)},
		{"exFAT: no clusters", changed(t, "exfat.txt", 92, 0, 0, 0, 0)},
		{"exFAT: more clusters than sectors", changed(t, "exfat.txt", 92, 255, 255, 255, 255)},
		{"exFAT: root in cluster 1", changed(t, "exfat.txt", 96, 1)},
		{"exFAT: FAT's fields", changed(t, "exfat.txt", 13, 1)},
		{"NTFS: sectors of 0", changed(t, "ntfs.txt", 11, 0, 0)},
		{"NTFS: clusters of 0", changed(t, "ntfs.txt", 13, 0)},
		{"NTFS: clusters of 2^30 sectors", changed(t, "ntfs.txt", 13, 0xE2)},
		{"NTFS: no sectors", changed(t, "ntfs.txt", 40, make([]byte, 8)...)},
		{"squashfs: version 0", changed(t, "squashfs.txt", 28, 0)},
		{"squashfs: no block size", changed(t, "squashfs.txt", 12, make([]byte, 4)...)},
		{"squashfs: 2^63 bytes", changed(t, "squashfs.txt", 47, 0x80)},
		{"swap: version 0 under the new magic", changed(t, "swap.txt", 1024, 0)},
		{"swap: no pages", changed(t, "swap.txt", 1028, make([]byte, 4)...)},
		{"ISO: blocks of 0", changed(t, "iso9660.txt", 64*512+128, 0, 0)},
		{"HFS: wraps nothing", patch(wrappedDisk(), 1024+126, 0, 2)},
		{"HFS: wraps past the end", patch(wrappedDisk(), 1024+126, 0xFF, 0xFF)},
		{"HFS: wraps an unknown version", patch(wrappedDisk(), 24*512+1024+2, 0, 9)},
		{"HFS: wraps impossible numbers", patch(wrappedDisk(), 24*512+1024+40, 0, 0, 0, 0)},
		{"HFS Plus: blocks of 0", patch(hfsPlusDisk("H+"), 1024+40, 0, 0, 0, 0)},
		{"HFS Plus: blocks of 2^31", patch(hfsPlusDisk("H+"), 1024+40, 0x80, 0, 0, 0)},
		{"HFS Plus: more free than there are", patch(hfsPlusDisk("H+"), 1024+48, 0xFF)},
		{"ISO: no blocks", changed(t, "iso9660.txt", 64*512+80, make([]byte, 4)...)},
	} {
		v, findings, err := Recognise(c.disk, image.Whole(c.disk))
		var format *disk.FormatError
		if v != nil || findings != nil || !errors.As(err, &format) || format.Fault != disk.Malformed {
			t.Errorf("%s: got %v, %v, %v", c.name, v, findings, err)
		}
	}
}

// Two letters at byte 1024 alone make no HFS volume.
func TestTwoLettersAreNoHFS(t *testing.T) {
	for _, letters := range []string{"BD", "H+", "HX"} {
		b := make([]byte, 4096)
		copy(b[1024:], letters)
		if v, f, err := Recognise(imagetest.NewBytes(b, 512), disk.Span{Count: 8}); v != nil || f != nil || err != nil {
			t.Errorf("%s: %v, %v, %v", letters, v, f, err)
		}
	}
}

// A name that cannot be read costs the name, not the volume.
func TestDamagedNames(t *testing.T) {
	for name, d := range map[string]*imagetest.Disk{
		"NTFS: record is no record":       changed(t, "ntfs.txt", 38*512, 'X'),
		"NTFS: fixup is wrong":            changed(t, "ntfs.txt", 38*512+510, 0xEE, 0xEE),
		"NTFS: fixups past the record":    changed(t, "ntfs.txt", 38*512+4, 0xFF, 0xFF, 0xFF, 0xFF),
		"NTFS: attributes past it":        changed(t, "ntfs.txt", 38*512+20, 0xFF, 0xFF),
		"NTFS: attribute of no length":    changed(t, "ntfs.txt", 38*512+ntfsAttribute(t, 0x10)+4, 0, 0, 0, 0),
		"exFAT: root past the end":        changed(t, "exfat.txt", 96, 0xFD, 1, 0, 0),
		"NTFS: records of no bytes":       changed(t, "ntfs.txt", 64, 0),
		"NTFS: records of 2^31 bytes":     changed(t, "ntfs.txt", 64, 0xE1),
		"NTFS: records far away":          changed(t, "ntfs.txt", 48, 0, 0, 0, 0, 0, 0, 0, 0x7F),
		"NTFS: name longer than its room": changed(t, "ntfs.txt", 38*512+ntfsAttribute(t, ntfsLabel)+16, 0xFF, 0xFF),
		"HFS Plus: leaf gone":             patch(hfsPlusDisk("H+"), 21*4096, make([]byte, 512)...),
		"HFS Plus: catalog past the disk": patch(hfsPlusDisk("H+"), 1024+hfsPlusCatalog+16, 255, 255, 255, 255),
		"HFS Plus: nodes of no bytes":     patch(hfsPlusDisk("H+"), 8*4096+32, 0, 0),
		"HFS Plus: leaf past the extents": patch(hfsPlusDisk("H+"), 8*4096+24, 0xFF, 0xFF, 0xFF, 0xFF),
		"HFS Plus: longest name":          patch(hfsPlusDisk("H+"), 21*4096+20, 0xFF, 0xFF),
	} {
		v, _ := recognise(t, d, image.Whole(d))
		if v.Label != "" {
			t.Errorf("%s: name %q", name, v.Label)
		}
	}
}

// ntfsAttribute returns where the attribute of a kind stands in the record of
// the volume.
func ntfsAttribute(t testing.TB, kind uint32) int64 {
	t.Helper()
	le := binary.LittleEndian
	record := imagetest.Head(t, imagetest.Load(t, fixtures+"ntfs.txt"), 40*512)[38*512:]
	at := int64(le.Uint16(record[20:]))
	for le.Uint32(record[at:]) != kind {
		at += int64(le.Uint32(record[at+4:]))
	}
	return at
}

// ECMA-119, 8.1: descriptors follow each other from sector 16 up to the one of
// type 255. The primary one may come late; without it there is no volume.
func TestISODescriptors(t *testing.T) {
	primary := imagetest.Head(t, imagetest.Load(t, fixtures+"iso9660.txt"), isoFirst+isoSector)[isoFirst:]
	other := []byte("\x00CD001\x01")
	late := imagetest.New(1000, 512)
	late.Put(64, other)
	late.Put(68, primary)
	if v, _ := recognise(t, late, image.Whole(late)); v.Label != "DISC ONE" || !slices.Equal(v.Meaning, disk.Spans{{Start: 64, Count: 8}}) {
		t.Errorf("got %+v", v)
	}
	none, endless := imagetest.New(1000, 512), imagetest.New(1000, 512)
	none.Put(64, other)
	none.Put(68, []byte("\xFFCD001\x01"))
	none.Put(72, primary)
	for i := range disk.Sector(isoLimit) {
		endless.Put(64+4*i, other)
	}
	endless.Put(64+4*isoLimit, primary)
	for name, d := range map[string]*imagetest.Disk{"after the end": none, "after the limit": endless} {
		if v, f, err := Recognise(d, image.Whole(d)); v != nil || f != nil || err != nil {
			t.Errorf("%s: %v, %v, %v", name, v, f, err)
		}
	}
}

// ECMA-119, 8.4.26.1: a date is 16 digits and a byte; all zeros are no date.
func TestISODates(t *testing.T) {
	for _, c := range []struct{ created, modified, want string }{
		{"1999123123595900", "2001010203040506", "2001-01-02-03-04-05-06"},
		{"1999123123595900", "0000000000000000", "1999-12-31-23-59-59-00"},
		{"1999123123595900", "2001 1 2 3 4 5 6", "1999-12-31-23-59-59-00"},
		{"0000000000000000", "\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00", ""},
	} {
		d := changed(t, "iso9660.txt", isoFirst+isoCreated, []byte(c.created)...)
		patch(d, isoFirst+isoModified, []byte(c.modified)...)
		if v, _ := recognise(t, d, image.Whole(d)); v.ID != c.want {
			t.Errorf("%q, %q: got %q, want %q", c.created, c.modified, v.ID, c.want)
		}
	}
}

// A size that no disk has is still said in words.
func TestLargestSize(t *testing.T) {
	d := changed(t, "exfat.txt", 72, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF)
	v, findings := recognise(t, d, image.Whole(d))
	if got := imagetest.Codes(findings); v.Count != 1<<52 || !slices.Contains(got, "volume-past-entry") {
		t.Errorf("got %+v, %v", v, got)
	}
}
