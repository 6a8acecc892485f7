package resize_test

import (
	"bytes"
	"fmt"
	"math/rand"
	"os"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout/volume"
)

// Of a volume only the sectors before its tables are known: it can become empty,
// and its tables are made new. fsck.fat (dosfstools) and mtools judge it; what a
// table begins with is F19 (Microsoft FAT: General Overview of On-Disk Format v1.03,
// "FAT Data Structure").
func TestEmptyNeedsNoTable(t *testing.T) {
	t.Parallel()
	for i, r := range []recipe{
		{Sectors: 3000, Args: "-F 12 -s 2 -f 2 -R 1"},
		{Sectors: 3000, Args: "-F 12 -s 1 -f 1 -R 5"},
		{Sectors: 20000, Args: "-F 16 -s 2 -f 2 -R 4 -r 512"},
		{Sectors: 72000, Args: "-F 32 -s 1 -f 2 -R 32"},
		{Sectors: 75000, Args: "-F 32 -s 1 -f 1 -R 40"},
	} {
		t.Run(fmt.Sprintf("%d: %s", i, r.Args), func(t *testing.T) {
			r.Most = 4000
			m := makeVolume(t, r, rand.New(rand.NewSource(int64(i))))
			unname(t, m)
			reserved := m.V.ReservedSpan()
			known := image.NewKnown(m.Src, disk.NewSpans(disk.Between(reserved.End(), m.V.Cluster(m.V.Clusters+1).End())), nil)
			v, tab := read(t, known)
			mustRefuse(t, v, tab, volume.Wishes{Mode: volume.Shrink, Sectors: v.Sectors - 8}, "fat-table-missing")
			for _, w := range []volume.Wishes{
				{Empty: true},
				{Empty: true, Mode: volume.Shrink, Sectors: v.Sectors - v.Sectors/100},
				{Empty: true, Mode: volume.Grow, Room: v.Sectors + v.Sectors/4},
			} {
				p := mustPlan(t, v, tab, w)
				if !hasCode(p.Findings, "fat-table-made-new") {
					t.Errorf("%+v", p.Findings)
				}
				path := apply(t, known, p)
				tool(t, "fsck.fat", "-n", path)
				after, entries := open(t, path)
				if h := after.Check(entries); h.Total != 0 || h.Files+h.Dirs != 0 {
					t.Errorf("our own check: %+v", h)
				}
				if u := entries.Usage(); u.Used > 1 || entries.Entries[0]&0xFF != uint32(v.BPB.Media) || entries.Entries[1]&v.Kind.Mask() != v.Kind.Mask() {
					t.Errorf("%+v, first entries %X", u, entries.Entries[:2])
				}
				if after.ID() != v.ID() {
					t.Errorf("the serial number is %s, not %s", after.ID(), v.ID())
				}
				tool(t, "mcopy", "-i", path, "notable_test.go", "::/FIRST.SONG") // it takes files
				tool(t, "fsck.fat", "-n", path)
			}
		})
	}
}

// unname takes the label out of every boot sector: fsck.fat wants it to be that of
// the root directory, which is not known here.
func unname(t *testing.T, m *made) {
	t.Helper()
	b, err := image.ReadSectors(m.Src, m.V.ReservedSpan())
	if err != nil {
		t.Fatal(err)
	}
	f, err := os.OpenFile(m.Path, os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if _, err := f.WriteAt(bytes.ReplaceAll(b, []byte("OLD SONGS  "), []byte("NO NAME    ")), 0); err != nil {
		t.Fatal(err)
	}
}
