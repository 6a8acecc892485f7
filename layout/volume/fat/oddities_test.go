package fat_test

import (
	"slices"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout/volume/fat"
)

// health returns the codes of all findings of a volume that was damaged first.
func health(t *testing.T, do func(p *patient)) []disk.Code {
	t.Helper()
	d := specimen(t, small16)
	do(&patient{t, d, mustRead(t, d)})
	v, tab := loaded(t, d)
	h := v.Check(tab)
	var codes []disk.Code
	for _, f := range slices.Concat(v.Findings, tab.Findings, h.Findings) {
		codes = append(codes, f.Code)
	}
	for _, p := range h.Problems {
		codes = append(codes, p.Code)
	}
	return codes
}

// TestDirectoriesThatAreNotWhole: what lies behind a break of a directory is not
// listed, and that is said, beside what is wrong with its chain.
func TestDirectoriesThatAreNotWhole(t *testing.T) {
	for code, do := range map[disk.Code]func(p *patient){
		disk.FATDirectoryChain: func(p *patient) { c := p.File("DIR").First; p.link(c, c) },
		disk.FATDirectoryShared: func(p *patient) {
			p.link(p.File("DIR/SUB").First, p.File("DIR").First)
		},
		disk.FATLostClusters: func(p *patient) { p.link(900, p.v.Kind.End()) },
	} {
		if have := health(t, do); !slices.Contains(have, code) {
			t.Errorf("%s is not among %v", code, have)
		}
	}
}

// TestOddBootSectors: what is odd in a boot sector and harms nobody is a note.
func TestOddBootSectors(t *testing.T) {
	odd := specimen(t, small32)
	poke(odd, 17, le16(512)...) // a fixed root directory, which FAT32 has not
	v, _ := loaded(t, odd)
	if !slices.Contains(imagetest.Codes(v.Findings), string(disk.FATRootEntriesOdd)) {
		t.Errorf("%v", v.Findings)
	}
	wide := specimen(t, small16)
	poke(wide, 13, 128) // sectors of a cluster: 64 KiB
	large, err := fat.Read(imagetest.Headed(imagetest.Head(t, wide, min(wide.Size(), 4<<20)), image.Sectors(wide), 512))
	if err != nil {
		t.Fatal(err)
	}
	if !slices.Contains(imagetest.Codes(large.Findings), string(disk.FATClusterLarge)) {
		t.Errorf("%v", large.Findings)
	}
}

// TestChainThroughWhatIsNotKnown: a chain ends where its table was never read.
func TestChainThroughWhatIsNotKnown(t *testing.T) {
	d := specimen(t, small16)
	v := mustRead(t, d)
	var gone disk.Spans
	for i := range v.BPB.FATs { // the first sectors of both tables
		gone = gone.Add(disk.Span{Start: v.TableSpan(i).Start, Count: 1})
	}
	v2, tab := loaded(t, image.NewKnown(d, gone, nil))
	var codes []disk.Code
	for _, p := range v2.Check(tab).Problems {
		codes = append(codes, p.Code)
	}
	if !slices.Contains(codes, disk.FATChainUnknown) {
		t.Errorf("%v", codes)
	}
}
