package document

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

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

// Lists are never null for a script, and what is not known is.
func TestDisksAsJSON(t *testing.T) {
	b, err := json.Marshal(NewDisks(inventedDisks))
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{
		`"schema":1,"kind":"disks","disks":[{"node":"/dev/sda","sectors":976773168,"sector_size":512,"bytes":500107862016,"model":"ACME SPINNER 500","serial":"S-0001","bus":"ata","removable":false,"read_only":false,"offline":false,"mounts":["/","/home"`,
		`"system":["/","/home","/proc/self/exe"],"since":null`, `"removable":true,"read_only":true,"offline":false,"mounts":[],"system":[],"since":"2030-05-17T13:01:00Z"`,
	} {
		if !strings.Contains(string(b), want) {
			t.Errorf("%s is not in\n%s", want, b)
		}
	}
	if b, _ := json.Marshal(NewDisks(nil)); string(b) != `{"schema":1,"kind":"disks","disks":[]}` {
		t.Errorf("no disks: %s", b)
	}
}
