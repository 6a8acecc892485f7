package blockdev

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"golang.org/x/sys/unix"

	"bootgraft/image"
	"bootgraft/image/disk"
)

// Disks returns the whole disks of this machine that have a medium: real ones,
// and loop devices that are in use. Layers built on disks are not disks.
func Disks() ([]Disk, error) {
	numbers, err := diskNumbers()
	if err != nil {
		return nil, err
	}
	mounts, err := allMounts()
	if err != nil {
		return nil, err
	}
	areas, err := Swaps(SwapList)
	if err != nil {
		return nil, err
	}
	var out []Disk
	for n := range numbers {
		d, err := describeDisk(n, mounts, areas)
		if err != nil {
			return nil, err
		}
		if d.Sectors > 0 { // else it went away since
			out = append(out, d)
		}
	}
	slices.SortFunc(out, func(a, b Disk) int { return strings.Compare(a.Node, b.Node) })
	return out, nil
}

// diskNumbers returns the numbers of all disks with a medium, each with what
// tells this medium from the next one in the same reader.
func diskNumbers() (map[string]string, error) {
	names, err := os.ReadDir("/sys/block")
	if err != nil {
		return nil, err
	}
	out := map[string]string{}
	for _, e := range names {
		dir := filepath.Join("/sys/block", e.Name())
		kind := strings.TrimRight(e.Name(), "0123456789")
		if slices.Contains([]string{"ram", "zram", "dm-", "md", "sr", "fd"}, kind) {
			continue
		}
		// A disk that goes loses its size first, and then gets the number of the next
		// medium: read the other way round it would be one that came.
		medium := attribute(dir, "diskseq")
		size := attribute(dir, "size")
		if n := attribute(dir, "dev"); n != "" && integer(size) > 0 {
			out[n] = medium + " " + size
		}
	}
	return out, nil
}

func describeDisk(n string, mounts []mount, areas []string) (Disk, error) {
	dir := sysDirOf(n)
	d := Disk{Node: nodeOf(n), ReadOnly: attribute(dir, "ro") == "1"}
	d.SectorSize = max(512, int(integer(attribute(dir, "queue/logical_block_size"))))
	d.Sectors = disk.Sector(integer(attribute(dir, "size")) * 512 / int64(d.SectorSize))
	d.Identity = identifyDir(dir)
	if st, err := os.Stat(d.Node); err == nil { // made when the disk came
		d.Since = st.ModTime()
	}
	w, err := newWeb(n)
	if err != nil {
		return d, err
	}
	for _, u := range mountUses(w, mounts) {
		if !slices.Contains(d.Mounts, u.What) {
			d.Mounts = append(d.Mounts, u.What)
		}
	}
	d.System = systemOn(newGround(w.loops, ownMounts(mounts)), areas, w.disks())
	return d, nil
}

// identifyDir returns what sysfs says of the disk in a folder.
func identifyDir(dir string) image.Identity {
	var major, minor uint32
	if _, err := fmt.Sscanf(attribute(dir, "dev"), "%d:%d", &major, &minor); err != nil {
		return image.Identity{}
	}
	return identify(unix.Mkdev(major, minor))
}
