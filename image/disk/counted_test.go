package disk_test

import (
	"testing"

	"bootgraft/image/disk"
)

func TestCounted(t *testing.T) {
	for n, want := range map[disk.Sector]string{
		0: "0 sectors", 1: "1 sector", 999: "999 sectors", 1000: "1,000 sectors", -1234567: "-1,234,567 sectors",
	} {
		if got := disk.Counted(n, "sector"); got != want {
			t.Errorf("%d: %q, want %q", n, got, want)
		}
	}
}
