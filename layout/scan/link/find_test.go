package link_test

import (
	"context"
	"testing"

	"bootgraft/image/imagetest/need"
	"bootgraft/layout/scan"
	"bootgraft/layout/scan/link"
	"bootgraft/layout/scan/link/loaders"
)

// belowTheBar tells whether chance makes numbers such as that of a loader in so many
// disks that none of them is a link: 16 bits where code is, and a number that stands
// beside it a second time, as the length.
func belowTheBar(s loaders.Shape) bool {
	short := s.Coding == loaders.LE16 || s.Coding == loaders.BE16
	return short && (s.Unit == loaders.FromEntry || s.Unit == loaders.Clusters) ||
		s.Target == loaders.GapStage ||
		s.Holder == loaders.MapFile && s.Coding == loaders.LE64 && s.Unit != loaders.Sectors && !s.Last
}

// TestEveryInventedLoaderIsFound: for each loader a link stands at the byte of its
// number and names the sector that it starts.
func TestEveryInventedLoaderIsFound(t *testing.T) {
	step := 17
	if need.Long() {
		step = 1
	}
	missed, extra, all := 0, 0, loaders.Each(step, 0)
	for _, l := range all {
		m, err := scan.Run(context.Background(), l.Disk, scan.Options{})
		if err != nil {
			t.Fatal(err)
		}
		f, err := link.Find(context.Background(), l.Disk, m)
		if err != nil {
			t.Fatal(err)
		}
		found := false
		for _, k := range f.Links {
			switch {
			case k.Target.Start == l.Named && k.At == l.Held && k.Byte <= l.Byte+4 && k.Byte+k.Width > l.Byte:
				found = true
			case l.Holder == loaders.MapFile && k.At == 0:
			default:
				extra++
				t.Logf("%s: also %s by chance %.2g %s", l.Shape, k.Text(512), k.ByChance, k.Evidence)
			}
		}
		if !found && belowTheBar(l.Shape) {
			missed++
		} else if !found {
			t.Errorf("%s (sector %d) is not found", l.Shape, l.Named)
		}
	}
	t.Logf("%d loaders, %d missed, %d further links", len(all), missed, extra)
}
