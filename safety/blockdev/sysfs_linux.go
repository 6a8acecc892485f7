package blockdev

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"golang.org/x/sys/unix"

	"bootgraft/image"
)

// number returns a device number as /sys and mountinfo write it.
func number(rdev uint64) string {
	return fmt.Sprintf("%d:%d", unix.Major(rdev), unix.Minor(rdev))
}

// sysDir returns the folder of a device in sysfs, symbolic links resolved.
func sysDir(rdev uint64) string { return sysDirOf(number(rdev)) }

// wholeDisk returns the folder of the disk that a partition is part of, or
// that of the disk itself.
func wholeDisk(dir string) string {
	if _, err := os.Stat(filepath.Join(dir, "partition")); err == nil {
		return filepath.Dir(dir)
	}
	return dir
}

// attribute returns the text of a file in sysfs, without blanks around it.
func attribute(dir, name string) string {
	b, err := os.ReadFile(filepath.Join(dir, name))
	if err != nil {
		return ""
	}
	return strings.Map(printable, strings.TrimSpace(string(b)))
}

// identify collects what sysfs says of a device.
func identify(rdev uint64) image.Identity {
	dir := sysDir(rdev)
	if dir == "" {
		return image.Identity{}
	}
	disk := wholeDisk(dir)
	id := image.Identity{
		Model:     strings.TrimSpace(attribute(disk, "device/vendor") + " " + attribute(disk, "device/model")),
		Serial:    serialOf(disk),
		Bus:       busOf(disk),
		Removable: attribute(disk, "removable") == "1",
	}
	if id.Model == "" {
		id.Model = attribute(disk, "device/name") // memory cards
	}
	return id
}

// serialOf returns the serial number of a disk. ATA and SCSI disks have it in
// a page of their own only, and a plain USB stick or reader has it nowhere but
// in the USB device that the disk is part of.
func serialOf(disk string) string {
	for _, name := range []string{"device/serial", "serial"} { // memory cards and NVMe; virtual disks
		if s := attribute(disk, name); s != "" {
			return s
		}
	}
	if s := unitSerial(disk); s != "" {
		return s
	}
	return attribute(usbDevice(disk), "serial")
}

// unitSerial returns what the kernel read from the Unit Serial Number page of
// a disk: SCSI Primary Commands, from memory: 4 bytes, of which the last two
// are the length of the text after them, high byte first.
func unitSerial(disk string) string {
	b, err := os.ReadFile(filepath.Join(disk, "device/vpd_pg80"))
	if err != nil || len(b) < 4 || b[1] != 0x80 {
		return ""
	}
	n := int(b[2])<<8 | int(b[3])
	return strings.Map(printable, strings.TrimSpace(string(b[4:min(len(b), 4+n)])))
}

// usbDevice returns the folder of the USB device that a disk is part of: the
// nearest one above it that has a speed.
func usbDevice(disk string) string {
	dir, err := filepath.EvalSymlinks(filepath.Join(disk, "device"))
	if err != nil || busOf(disk) != "usb" {
		return ""
	}
	for ; dir != "/" && dir != "."; dir = filepath.Dir(dir) {
		if attribute(dir, "speed") != "" {
			return dir
		}
	}
	return ""
}

// busOf tells how a disk is attached, from its path in sysfs: a USB device has
// a folder usbN in it, and so on. The nearest to the machine counts, for a
// bridge hides what is behind it.
func busOf(disk string) string {
	for _, part := range strings.Split(disk, "/") {
		for _, bus := range []string{"usb", "ata", "mmc", "virtio", "nvme"} {
			if n, ok := strings.CutPrefix(part, bus); ok && startsWithDigit(n) {
				return bus
			}
		}
	}
	name := strings.TrimRight(filepath.Base(disk), "0123456789")
	if name == "loop" || name == "ram" || name == "zram" || name == "nbd" {
		return name
	}
	return ""
}

func startsWithDigit(s string) bool { return s != "" && s[0] >= '0' && s[0] <= '9' }

// family returns the device numbers of a disk and all its partitions, or those
// of a partition alone.
func family(rdev uint64) map[string]bool {
	out := map[string]bool{number(rdev): true}
	dir := sysDir(rdev)
	if dir == "" || wholeDisk(dir) != dir {
		return out
	}
	parts, _ := filepath.Glob(filepath.Join(dir, "*", "partition"))
	for _, p := range parts {
		if n := attribute(filepath.Dir(p), "dev"); n != "" {
			out[n] = true
		}
	}
	return out
}

// mountsOf returns the folders on which a device, or a partition of it, is
// mounted as far as this process can see: proc(5), mountinfo.
func mountsOf(rdev uint64) []string {
	b, err := os.ReadFile("/proc/self/mountinfo")
	if err != nil {
		return nil
	}
	return mountsIn(string(b), family(rdev))
}

func mountsIn(mountinfo string, numbers map[string]bool) []string {
	var out []string
	for _, m := range parseMounts(mountinfo, "/") {
		if numbers[m.number] {
			out = append(out, m.folder)
		}
	}
	return out
}
