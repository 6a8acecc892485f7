package page

import (
	"bytes"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image"
	"bootgraft/safety/blockdev"
)

var inventedDisks = []blockdev.Disk{
	{Node: "/dev/sda", Sectors: 976_773_168, SectorSize: 512, Identity: image.Identity{Model: "ACME SPINNER 500", Serial: "S-0001", Bus: "ata"},
		Mounts: []string{"/", "/home", "/boot", "/srv/a", "/srv/b", "/srv/c", "/srv/d"}, System: []string{"/", "/home", "/proc/self/exe"}},
	{Node: "/dev/sdb", Sectors: 31_116_288, SectorSize: 512, Identity: image.Identity{Model: "ACME READER", Bus: "usb", Removable: true},
		Since: time.Date(2030, 5, 17, 13, 1, 0, 0, time.UTC), ReadOnly: true},
	{Node: "/dev/nvme10n1", Sectors: 244_190_646_272, SectorSize: 4096, Identity: image.Identity{Serial: "X1"}},
}

// The table stays within 80 columns as long as no single name is longer, and
// says what the disks are for.
func TestTableOfDisks(t *testing.T) {
	var out bytes.Buffer
	u := &talk.UI{Out: &out}
	now := time.Date(2030, 5, 17, 13, 5, 30, 0, time.UTC)
	Disks(u, inventedDisks, now)
	Disks(u, []blockdev.Disk{{Node: `\\.\PhysicalDrive2`, SectorSize: 512, Offline: true,
		Identity: image.Identity{Model: "ACME 4", Bus: "usb"}}}, now)
	for _, want := range []string{
		"/dev/sda             976,773,168     500.11  ata", "ACME SPINNER 500, serial\n", "SYSTEM  the running system stands on it: /, /home, this program",
		"mounted on /, /home, /boot, /srv/a, /srv/b, /srv/c and 1 more", "31,116,288      15.93  usb       ACME READER, no serial\n",
		"removable, read-only, here since 13:01 (4 minutes ago)", "1000204.89  -", "sectors of 4096 bytes",
		"\\\\.\\PhysicalDrive2          not told          -  usb       ACME 4, no serial\n",
		"    offline: Windows mounts nothing from it",
	} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("%q is not in\n%s", want, out.String())
		}
	}
	for line := range strings.Lines(out.String()) {
		if n := utf8.RuneCountInString(strings.TrimSuffix(line, "\n")); n > 80 {
			t.Errorf("%d columns: %s", n, line)
		}
	}
}

func TestSince(t *testing.T) {
	now := time.Date(2030, 5, 17, 13, 5, 30, 0, time.UTC)
	for text, ago := range map[string]time.Duration{
		"13:05 (1 second ago)": time.Second, "13:00 (5 minutes ago)": 5 * time.Minute, "11:05": 2 * time.Hour,
		"16 May 2030, 12:05": 25 * time.Hour, "13:06": -time.Minute,
	} {
		if got := sinceText(now.Add(-ago), now); got != text {
			t.Errorf("%v ago: %q, want %q", ago, got, text)
		}
	}
}
