package rescue

import (
	"context"
	"testing"

	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout/layouttest/disks"
	"bootgraft/layout/scan"
	"bootgraft/layout/volume/fat"
)

// TestABrokenFolderMayHideFiles: a folder whose chain leads back into itself is
// not listed behind the break, and the list of files does not pass for whole.
func TestABrokenFolderMayHideFiles(t *testing.T) {
	for _, broken := range []bool{false, true} {
		d := imagetest.New(20000, 512)
		disks.FAT(d, disk.Span{Count: 20000}, fat.FAT16, 3000)
		v, err := fat.Read(d)
		if err != nil {
			t.Fatal(err)
		}
		for i := 0; broken && i < v.BPB.FATs; i++ { // cluster 2 is the first folder: it names itself
			if _, err := d.WriteAt([]byte{2, 0}, int64(v.TableSpan(i).Start)*512+2*2); err != nil {
				t.Fatal(err)
			}
		}
		s, err := scan.Run(context.Background(), d, scan.Options{})
		if err != nil {
			t.Fatal(err)
		}
		r, err := Run(context.Background(), d, s, Options{NoHash: true})
		if err != nil {
			t.Fatal(err)
		}
		if r.Incomplete != broken {
			t.Errorf("broken %v, and the list is incomplete: %v; %v", broken, r.Incomplete, r.Findings)
		}
	}
}
