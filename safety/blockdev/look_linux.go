package blockdev

import (
	"slices"
	"syscall"

	"golang.org/x/sys/unix"

	"bootgraft/image/disk"
)

// Look finds out everything that speaks for or against writing to the target,
// now. files are what the job reads and writes besides it.
func (t *Target) Look(files []File) (Facts, error) {
	f, w, err := t.whatItIs()
	if w == nil {
		return f, err
	}
	mounts, err := allMounts()
	if err != nil {
		return f, err
	}
	areas, err := Swaps(SwapList)
	if err != nil {
		return f, err
	}
	writers, blind := writerUses(w)
	f.Uses = slices.Concat(w.uses, mountUses(w, mounts), memberUses(w), swapUses(w, areas), writers)
	f.Blind = blind
	g := newGround(w.loops, ownMounts(mounts))
	f.System = systemOn(g, areas, w.disks())
	for _, file := range files {
		rel, err := w.relation(g, file)
		if err != nil {
			return f, err
		}
		if rel != Nothing {
			f.Related = append(f.Related, Related{file, rel})
		}
	}
	return f, nil
}

// Describe finds out what the target is, and nothing of who uses it: no Uses, System, Related
// or Blind. Those cost a question to every program of the machine, and hold for the moment
// alone. Its errors are those of Look.
func (t *Target) Describe() (Facts, error) {
	f, _, err := t.whatItIs()
	return f, err
}

// whatItIs describes the target; the web is nil with an error, and for what is no device.
func (t *Target) whatItIs() (Facts, *web, error) {
	f := Facts{Path: t.path, Mode: t.Mode(), Held: t.held}
	if !t.isDevice() {
		return f, nil, nil
	}
	t.describe(&f)
	w, err := newWeb(f.Number)
	if err != nil {
		return f, nil, err
	}
	return f, w, nil
}

func ownMounts(all []mount) []mount {
	var out []mount
	for _, m := range all {
		if m.root == "/" {
			out = append(out, m)
		}
	}
	return out
}

// describe asks what the device is.
func (t *Target) describe(f *Facts) {
	f.Number = number(t.st.Rdev)
	f.Node = nodeOf(f.Number)
	f.Inode, f.InodeOn = t.st.Ino, t.st.Dev
	dir := sysDir(t.st.Rdev)
	drive := wholeDisk(dir)
	f.Whole, f.Partition = nodeOf(attribute(drive, "dev")), drive != dir
	f.SectorSize = t.sectorSize
	if t.sectorSize > 0 {
		f.Sectors = disk.Sector(t.size / int64(t.sectorSize))
	}
	f.Physical = int(integer(attribute(drive, "queue/physical_block_size")))
	f.ReadOnly = attribute(dir, "ro") == "1"
	f.Sequence = t.sequence
	if t.fd >= 0 {
		f.Sequence = diskSequence(t.fd)
		if ro, err := unix.IoctlGetInt(t.fd, unix.BLKROGET); err == nil && ro != 0 {
			f.ReadOnly = true
		}
	}
	f.Identity = identify(t.st.Rdev)
	f.CID = attribute(drive, "device/cid")
	f.Erase = integer(attribute(drive, "device/preferred_erase_size"))
	f.Speed = attribute(usbDevice(drive), "speed")
}

// relation tells how a file of the job stands to the devices of w.
func (w *web) relation(g *ground, file File) (Relation, error) {
	st, ok := file.Info.Sys().(*syscall.Stat_t)
	if !ok {
		return Nothing, nil
	}
	if isBlock(file.Info) {
		other, err := newWeb(number(uint64(st.Rdev)))
		if err != nil {
			return Nothing, err
		}
		if w.meets(other) {
			return IsIt, nil
		}
	} else if _, ok := w.files[fileKey{uint64(st.Dev), uint64(st.Ino)}]; ok {
		return IsIt, nil
	}
	disks := w.disks()
	for n := range g.of(file.Path) {
		if disks[n] {
			return LiesOn, nil
		}
	}
	return Nothing, nil
}
