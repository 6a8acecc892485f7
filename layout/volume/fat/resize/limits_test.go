package resize_test

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest/need"
	"bootgraft/layout/volume"
	"bootgraft/layout/volume/fat"
	"bootgraft/layout/volume/fat/format"
)

// A volume that grows as far as its type goes, and one that shrinks as far, is
// read by fsck.fat (dosfstools) and by mdir (mtools), which count the clusters
// each in their own way; the size leaves a piece of one more cluster. That it stays
// 16 away is the advice of the standard (FG v1.03, "FAT Volume Initialization"),
// not of these two: they read 65,524 clusters and a piece as well, see
// TestToolsReadTheLastCountOfFAT16.
func TestLimitsOfTypeAreRead(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		kind     fat.Kind
		clusters int64
		mode     volume.Mode
		room     disk.Sector
	}{
		{fat.FAT12, 3000, volume.Grow, 1 << 20},
		{fat.FAT16, 8000, volume.Shrink, 0},
		{fat.FAT16, 50000, volume.Grow, 1 << 20},
		{fat.FAT32, 70000, volume.Shrink, 0},
	} {
		s := sizedWith(t, format.Options{Kind: c.kind, SectorsPerCluster: 4}, c.clusters)
		v, tab := read(t, s)
		w := volume.Wishes{Mode: c.mode, Room: c.room}
		if c.mode == volume.Shrink {
			w.Sectors = mustPlan(t, v, tab, volume.Wishes{}).Limits.Smallest
		}
		r := mustPlan(t, v, tab, w)
		card := onCard(t, s, r)
		v2, _ := s.Holds(t, card)
		limit := int64(fat.MinFAT16)
		if c.clusters > 20000 {
			limit = fat.MinFAT32
		}
		far := limit - int64(v2.DataClusters)
		if far = max(far, -far); v2.Kind != c.kind || far < 16 || far > 17 {
			t.Errorf("%s of %d clusters becomes %s of %d, %d from the limit", c.kind, c.clusters, v2.Kind, v2.DataClusters, far)
		}
		readByTools(t, card)
	}
}

// readByTools lets fsck.fat and mdir read a volume.
func readByTools(t *testing.T, src image.Source) {
	t.Helper()
	path := sparse(t, src)
	config := filepath.Join(t.TempDir(), "mtoolsrc")
	if err := os.WriteFile(config, fmt.Appendf(nil, "drive x: file=%q\n", path), 0o600); err != nil {
		t.Fatal(err)
	}
	tool(t, "fsck.fat", "-n", path)
	cmd := exec.Command(need.Tool(t, "mdir"), "-/", "x:")
	cmd.Env = append(os.Environ(), "MTOOLSRC="+config) // with its own check of the volume
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Errorf("mdir: %v\n%s", err, out)
	}
}

// 65,524 clusters and a piece of one more, the last count that is FAT16: mtools,
// which was said to fail there, reads it, and so does fsck.fat. If one of them
// fails one day, the limit of growth has a second reason.
func TestToolsReadTheLastCountOfFAT16(t *testing.T) {
	o := format.Options{Kind: fat.FAT16, SectorsPerCluster: 4, Sectors: 4 * (fat.MinFAT32 + 1000)}
	for g, err := o.Geometry(); err != nil || g.Parts.Clusters != fat.MinFAT32-1; g, err = o.Geometry() {
		o.Sectors-- // the largest such size
	}
	s := lay(t, o, "A.WAV", 3)
	v, _ := read(t, s)
	if end := v.Cluster(v.Clusters + 1).End(); v.Clusters != fat.MinFAT32-1 || v.Sectors == end {
		t.Fatalf("%d clusters, and %d sectors behind them", v.Clusters, v.Sectors-end)
	}
	readByTools(t, s)
}
