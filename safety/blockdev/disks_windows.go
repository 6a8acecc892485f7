package blockdev

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"golang.org/x/sys/windows"

	"bootgraft/image"
	"bootgraft/image/disk"
)

// volume is one that Windows has found on some disk.
type volume struct {
	name    string   // as CreateFile takes it: \\?\Volume{...}
	folders []string // where it is mounted: E:\
}

// names are the folders on which the volume is mounted, or its own name.
func (v volume) names() []string {
	if len(v.folders) == 0 {
		return []string{v.name + `\`}
	}
	return v.folders
}

func (v volume) text() string { return strings.Join(v.names(), ", ") }

// volumesOf returns the volumes that lie on a disk.
func volumesOf(number int) ([]volume, error) {
	var out []volume
	all, err := volumes()
	for _, v := range all {
		if slices.Contains(disksOf(v.name), number) {
			out = append(out, v)
		}
	}
	return out, err
}

// volumes returns all volumes of the machine.
func volumes() ([]volume, error) {
	buf := make([]uint16, windows.MAX_PATH)
	find, err := windows.FindFirstVolume(&buf[0], uint32(len(buf)))
	if err != nil {
		return nil, err
	}
	defer windows.FindVolumeClose(find)
	var out []volume
	for {
		out = append(out, volume{strings.TrimSuffix(windows.UTF16ToString(buf), `\`), foldersOf(&buf[0])})
		if err := windows.FindNextVolume(find, &buf[0], uint32(len(buf))); errors.Is(err, windows.ERROR_NO_MORE_FILES) {
			return out, nil
		} else if err != nil {
			return out, err
		}
	}
}

// foldersOf returns where a volume is mounted. Without an answer nothing is known.
func foldersOf(name *uint16) []string {
	buf := make([]uint16, 1<<15)
	var n uint32
	if err := windows.GetVolumePathNamesForVolumeName(name, &buf[0], uint32(len(buf)), &n); err != nil {
		return nil
	}
	return list(buf[:min(int(n), len(buf))])
}

// list splits texts that each end with a zero.
func list(b []uint16) []string {
	var out []string
	for len(b) > 0 {
		end := slices.Index(b, 0)
		if end < 0 {
			end = len(b)
		}
		if end > 0 {
			out = append(out, windows.UTF16ToString(b[:end]))
		}
		b = b[min(end+1, len(b)):]
	}
	return out
}

// disksOf returns the numbers of the disks on which a volume lies. One without a
// partition, on a card, has no extents and the number of its disk.
func disksOf(name string) []int {
	h, err := openDevice(name, 0, 0)
	if err != nil {
		return nil
	}
	defer windows.CloseHandle(h)
	b, err := control(h, ioctlVolumeGetDiskExtents, nil, 8+24*64)
	if err == nil || errors.Is(err, windows.ERROR_MORE_DATA) {
		return extentDisks(b)
	}
	if b, err := control(h, ioctlStorageGetDeviceNumber, nil, 12); err == nil {
		if n, ok := deviceNumber(b); ok {
			return []int{n}
		}
	}
	return nil
}

// carries tells whether a path lies on a volume of the disk.
func (h *handle) carries(path string) (bool, error) {
	full, err := filepath.Abs(path)
	if err != nil {
		return false, err
	}
	if real, err := filepath.EvalSymlinks(full); err == nil {
		full = real
	}
	on, err := volumesOf(h.number)
	if err != nil {
		return false, err
	}
	// A volume that is kept from others cannot be asked: its names can be compared.
	for _, v := range on {
		for _, f := range v.folders {
			if len(full) >= len(f) && strings.EqualFold(full[:len(f)], f) {
				return true, nil
			}
		}
	}
	name, err := volumeOfPath(full)
	if err != nil {
		return false, err
	}
	return slices.Contains(disksOf(name), h.number), nil
}

// volumeOfPath returns the name of the volume that a path lies on, and the path itself
// where that is a share, which lies on no disk of this machine.
func volumeOfPath(path string) (string, error) {
	p, err := windows.UTF16PtrFromString(path)
	if err != nil {
		return "", err
	}
	root := make([]uint16, 1<<15)
	if err := windows.GetVolumePathName(p, &root[0], uint32(len(root))); err != nil {
		return "", &os.PathError{Op: "volume of", Path: path, Err: err}
	}
	name := make([]uint16, windows.MAX_PATH)
	if err := windows.GetVolumeNameForVolumeMountPoint(&root[0], &name[0], uint32(len(name))); err != nil {
		return path, nil
	}
	return strings.TrimSuffix(windows.UTF16ToString(name), `\`), nil
}

// WholeOf returns the disk of which a name, as E: or \\.\E:, means a part, or nothing where
// that is not known or is more than one.
func WholeOf(path string) string {
	name := strings.TrimRight(path, `\/`)
	if len(name) == 2 {
		name = `\\.\` + name
	}
	disks := disksOf(name)
	if len(disks) != 1 {
		return ""
	}
	return nodeName(disks[0])
}

// diskNumbers returns the nodes of all disks with a medium, each with what tells this
// medium from one of another size in the same reader.
func diskNumbers() (map[string]string, error) {
	names, err := diskNames()
	if err != nil {
		return nil, err
	}
	out := map[string]string{}
	for _, n := range names {
		if a, _, err := askUnopened(n); err == nil {
			out[nodeName(n)] = fmt.Sprint(a.size)
		}
	}
	return out, nil
}

// diskNames returns the numbers of the disks, from the list of all names of devices.
func diskNames() ([]int, error) {
	buf := make([]uint16, 1<<16)
	for {
		n, err := windows.QueryDosDevice(nil, &buf[0], uint32(len(buf)))
		switch {
		case errors.Is(err, windows.ERROR_INSUFFICIENT_BUFFER) && len(buf) < 1<<24:
			buf = make([]uint16, 2*len(buf))
			continue
		case err != nil:
			return nil, err
		}
		var out []int
		for _, name := range list(buf[:min(int(n), len(buf))]) {
			if n, ok := image.WindowsDisk(`\\.\` + name); ok {
				out = append(out, n)
			}
		}
		slices.Sort(out)
		return slices.Compact(out), nil
	}
}

// askUnopened asks what a disk is without opening it for reading, which anybody may.
func askUnopened(number int) (a answers, offline bool, err error) {
	h, err := openDevice(nodeName(number), 0, 0)
	if err != nil {
		return a, false, err
	}
	defer windows.CloseHandle(h)
	if a, err = ask(h); err != nil {
		return a, false, err
	}
	b, err := control(h, ioctlDiskGetDiskAttributes, nil, 16)
	return a, err == nil && isOffline(b), nil
}

// Disks returns the whole disks of this machine that have a medium. The sectors of one
// whose driver does not tell them are 0: to find them out it would have to be read.
func Disks() ([]Disk, error) {
	names, err := diskNames()
	if err != nil {
		return nil, err
	}
	system := systemPaths()
	var out []Disk
	for _, n := range names {
		a, offline, err := askUnopened(n)
		if err != nil { // a reader without a card, or it went away since
			continue
		}
		d := Disk{Node: nodeName(n), SectorSize: max(a.sectorSize, 512), Identity: a.identity, ReadOnly: a.readOnly,
			Offline: offline}
		d.Sectors = disk.Sector(a.size / int64(d.SectorSize))
		on, err := volumesOf(n)
		if err != nil {
			return nil, err
		}
		for _, v := range on {
			d.Mounts = append(d.Mounts, v.folders...)
		}
		for path, disks := range system {
			if slices.Contains(disks, n) {
				d.System = append(d.System, path)
			}
		}
		slices.Sort(d.System)
		out = append(out, d)
	}
	return out, nil
}

// systemPaths returns what the running system, and this program, stand on, with the
// numbers of the disks below.
func systemPaths() map[string][]int {
	out := map[string][]int{}
	var paths []string
	if dir, err := windows.GetWindowsDirectory(); err == nil {
		paths = append(paths, dir)
	}
	if self, err := os.Executable(); err == nil {
		paths = append(paths, self)
	}
	for _, p := range paths {
		if name, err := volumeOfPath(p); err == nil {
			out[p] = disksOf(name)
		}
	}
	return out
}
