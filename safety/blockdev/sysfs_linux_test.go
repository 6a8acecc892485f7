package blockdev

import (
	"os"
	"path/filepath"
	"testing"
)

// The folders below are those that Linux 6.1 shows for disks of these kinds;
// the page is laid out by SCSI Primary Commands, Unit Serial Number page, from
// memory.
func TestSerialNumberIsFoundWhereEachKindOfDiskHasIt(t *testing.T) {
	const usb = "usb2/2-1/2-1:1.0/host2/target2:0:0/2:0:0:0"
	for _, c := range []struct {
		name, device, want, speed string
		files                     map[string]string
	}{
		{name: "ata, from the page", device: "ata2/host1/1:0:0:0", want: "TW-000417",
			files: map[string]string{"vpd_pg80": "\x00\x80\x00\x14           TW-000417and more"}},
		{name: "page cut short", device: "ata2/host1/1:0:0:0", files: map[string]string{"vpd_pg80": "\x00\x80\x00"}},
		{name: "length beyond the page", device: "ata2/host1/1:0:0:0", want: "TW", files: map[string]string{"vpd_pg80": "\x00\x80\xff\xffTW"}},
		{name: "another page", device: "ata2/host1/1:0:0:0", files: map[string]string{"vpd_pg80": "\x00\x83\x00\x04ABCD"}},
		{name: "usb stick", device: usb, want: "CARD42", speed: "480", files: map[string]string{"../../../../serial": "CARD42\n", "../../../../speed": "480\n"}},
		{name: "usb bridge that hands the drive's own through", device: usb, want: "TW-000417", speed: "480",
			files: map[string]string{"vpd_pg80": "\x00\x80\x00\x09TW-000417", "../../../../serial": "BRIDGE", "../../../../speed": "480"}},
		{name: "memory card", device: "mmc_host/mmc0/mmc0:4567", want: "0x1234abcd", files: map[string]string{"serial": "0x1234abcd\n"}},
		{name: "what is above a disk that is not usb", device: "ata2/host1/1:0:0:0", files: map[string]string{"../serial": "HOST", "../speed": "480"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			device := filepath.Join(t.TempDir(), c.device)
			disk := filepath.Join(device, "block/sdx")
			if err := os.MkdirAll(disk, 0o755); err != nil {
				t.Fatal(err)
			}
			if err := os.Symlink("../..", filepath.Join(disk, "device")); err != nil {
				t.Fatal(err)
			}
			for name, text := range c.files {
				if err := os.WriteFile(filepath.Join(device, name), []byte(text), 0o600); err != nil {
					t.Fatal(err)
				}
			}
			if got := serialOf(disk); got != c.want {
				t.Errorf("serial number %q, want %q", got, c.want)
			}
			if got := attribute(usbDevice(disk), "speed"); got != c.speed {
				t.Errorf("speed %q, want %q", got, c.speed)
			}
		})
	}
}
