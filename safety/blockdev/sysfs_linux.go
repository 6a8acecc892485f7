package blockdev

import (
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
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
	for _, n := range partitionsOf(number(rdev)) {
		out[n] = true
	}
	return out
}

// partitionsOf returns the device numbers of the partitions of a disk.
func partitionsOf(n string) (out []string) {
	parts, _ := filepath.Glob(filepath.Join(sysDirOf(n), "*", "partition")) // the pattern is right
	for _, p := range parts {
		if n := attribute(filepath.Dir(p), "dev"); n != "" {
			out = append(out, n)
		}
	}
	return out
}

// busy says who uses a device, as far as this process can see: where it, a partition of
// it, or what lies on these is mounted (proc(5), mountinfo), and what lies on it.
func busy(path string, rdev uint64) *BusyError {
	e := &BusyError{Path: path}
	numbers, layers := above(rdev)
	for _, n := range layers {
		e.Layers = append(e.Layers, nodeOf(n))
		e.Ends = append([]string{endOf(n)}, e.Ends...) // what lies on top was found last
	}
	if b, err := os.ReadFile("/proc/self/mountinfo"); err == nil {
		e.Mounts = mountsIn(string(b), numbers)
	}
	return e
}

// above returns a device with all that lies on it, partitions included, and of these the
// devices that are built on others. What lies beside it on a common disk is none of it: a
// web (web_linux.go) is all that a writer may harm, and who reads harms nobody.
func above(rdev uint64) (numbers map[string]bool, layers []string) {
	numbers = family(rdev)
	loops, _ := Loops() // one that does not answer hides none of the others
	lies := func(n string) {
		if n == "" || numbers[n] {
			return
		}
		layers = append(layers, n)
		numbers[n] = true
		for _, p := range partitionsOf(n) {
			numbers[p] = true
		}
	}
	for before := -1; before != len(numbers); {
		before = len(numbers)
		for _, n := range slices.Sorted(maps.Keys(numbers)) {
			for _, h := range numbersIn(sysDirOf(n), "holders") {
				lies(h)
			}
			for _, l := range loops {
				if l.rdev != 0 && number(l.rdev) == n {
					lies(l.number)
				}
			}
		}
	}
	return numbers, layers
}

// endOf is what ends a device that lies on another one. The kinds of mapped devices are
// known by what their makers put in front of their identifiers (LVM, cryptsetup: from memory).
func endOf(n string) string {
	dir, node := sysDirOf(n), nodeOf(n)
	name, kind := attribute(dir, "dm/name"), attribute(dir, "dm/uuid")
	switch {
	case strings.HasPrefix(kind, "LVM-"):
		return "lvchange -an " + quote("/dev/mapper/"+name)
	case strings.HasPrefix(kind, "CRYPT-"):
		return "cryptsetup close " + quote(name)
	case name != "":
		return "dmsetup remove " + quote(name)
	case attribute(dir, "loop/backing_file") != "":
		return "losetup -d " + node
	case attribute(dir, "md/level") != "":
		return "mdadm --stop " + node
	}
	return "end " + node
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
