package gpt

import (
	"testing"

	"bootgraft/image/disk"
)

// TestPlaces: what belongs to a copy is known whether or not it is valid. 32
// sectors of array and one of header are the published minimum for 512-byte
// blocks (EFI Specification 1.10, 11.2.2: 16,384 bytes are set aside).
func TestPlaces(t *testing.T) {
	const n = 100_000
	first, second := disk.Span{Start: 1, Count: 33}, disk.Span{Start: n - 33, Count: 33}
	for _, c := range []struct {
		name string
		harm disk.Sector // sector that is overwritten, 0 for none
	}{{"whole", 0}, {"first copy damaged", 1}, {"second copy damaged", n - 1}} {
		t.Run(c.name, func(t *testing.T) {
			d := usual(n, 512, [2]uint64{2048, 4095}).disk()
			if c.harm > 0 {
				d.Put(c.harm, make([]byte, 512))
			}
			table := mustRead(t, d)
			if got := table.PrimaryPlace(); len(got) != 1 || got[0] != first {
				t.Errorf("first copy: %v, want %v", got, first)
			}
			if got := table.BackupPlace(); len(got) != 1 || got[0] != second {
				t.Errorf("second copy: %v, want %v", got, second)
			}
			if got := table.BackupSectors(); got != 33 {
				t.Errorf("the second copy takes %d sectors, want 33", got)
			}
			r, err := table.Render(n+5000, nil, nil)
			if err != nil {
				t.Fatal(err)
			}
			if got := r.Backup[0].Start; got != n+5000-33 {
				t.Errorf("the rendered second copy begins at %d", got)
			}
		})
	}
}
