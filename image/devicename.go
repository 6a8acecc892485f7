package image

import (
	"io/fs"
	"regexp"
	"runtime"
	"strconv"
	"sync"
)

// The kinds of names that stand for a disk, or for a part of one.
const (
	BlockDevice = "a block device"
	PartOfDisk  = "a volume or partition, which is only a part of a disk"
	reserved    = "a name that Windows keeps for a device, whatever its ending"
)

// What the names of disks look like to Windows, where such a name is no file that could
// be asked what it is ("Naming Files, Paths, and Namespaces", Win32 Device Namespaces):
// letters in either case, slashes in either direction.
var (
	windowsDisk = once(`(?i)^[\\/]{2}[.?][\\/](?:global(?:root)?[\\/](?:\?\?[\\/])?)?` +
		`physicaldrive(\d{1,4})$`)
	windowsPart = once(`(?i)^(?:[a-z]:|[a-z]:[\\/]|[\\/]{2}[.?][\\/](?:[a-z]:|harddiskvolume\d+|` +
		`volume\{[^}]*\}|globalroot[\\/]device[\\/].*)[\\/]?)$`)
)

// windowsReserved are the names that are devices in every folder, with any ending
// (the same page, Naming Conventions).
var windowsReserved = once(`(?i)(?:^|[\\/:])(?:con|prn|aux|nul|conin\$|conout\$|` +
	`(?:com|lpt)[1-9¹²³]) *(?:[.:][^\\/]*)?$`)

// darwinDisk is what macOS calls its disks and their parts: disk9 through a cache,
// rdisk9 past it, and disk9s1 for a part.
var darwinDisk = once(`^/dev/r?disk(\d{1,4})((?:s\d+)*)$`)

// once is an expression that is compiled when it is asked for: most runs ask for none.
func once(expr string) func() *regexp.Regexp {
	return sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(expr) })
}

// WindowsDisk returns the number N of \\.\PhysicalDriveN.
func WindowsDisk(path string) (n int, ok bool) {
	m := windowsDisk().FindStringSubmatch(path)
	if m == nil {
		return 0, false
	}
	n, err := strconv.Atoi(m[1])
	return n, err == nil
}

// DarwinDisk returns the number N of /dev/diskN and /dev/rdiskN; part tells that the
// name is that of a part of it.
func DarwinDisk(path string) (n int, part, ok bool) {
	m := darwinDisk().FindStringSubmatch(path)
	if m == nil {
		return 0, false, false
	}
	n, err := strconv.Atoi(m[1])
	return n, m[2] != "", err == nil
}

// NameKind tells what a name stands for on this system by its form alone, or returns
// nothing where that has to be asked.
func NameKind(path string) string { return nameKindOn(runtime.GOOS, path) }

func nameKindOn(system, path string) string {
	if system != "windows" {
		return ""
	}
	if _, ok := WindowsDisk(path); ok {
		return BlockDevice
	}
	if windowsPart().MatchString(path) {
		return PartOfDisk
	}
	if windowsReserved().MatchString(path) {
		return reserved
	}
	return ""
}

// deviceKind is Kind for a name that leads to a device. To macOS a disk past its cache
// is a character device.
func deviceKind(system, path string, mode fs.FileMode) string {
	if _, part, ok := DarwinDisk(path); ok && system == "darwin" && mode&fs.ModeDevice != 0 {
		if part {
			return PartOfDisk
		}
		return BlockDevice
	}
	return Kind(mode)
}
