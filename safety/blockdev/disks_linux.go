package blockdev

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

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
	d := Disk{Node: nodeOf(n), ReadOnly: attribute(dir, "ro") == "1", Sequence: uint64(integer(attribute(dir, "diskseq")))}
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

// The times of waiting for a disk: how often to look, and how long to look for
// a second one after the first. By hand, no source: often enough to take a disk
// before anything mounts it, and as long as a person hardly notices.
const (
	lookEvery = 25 * time.Millisecond
	settle    = 700 * time.Millisecond
)

// next waits for one new disk and takes it at once, before anything mounts it.
// If another one comes soon after, both are refused and nothing stays held.
// ready is called when the disks that are there are known: what comes from then
// on is new.
func next(ctx context.Context, ready func(), take func(node string) error, release func() error) (err error) {
	before, err := diskNumbers()
	if err != nil {
		return err
	}
	ready()
	var first string
	var until time.Time
	defer func() {
		if err != nil && first != "" {
			err = errors.Join(err, release())
		}
	}()
	tick := time.NewTicker(lookEvery)
	defer tick.Stop()
	for {
		fresh, err := newSince(before)
		switch {
		case err != nil:
			return err
		case len(fresh) > 1:
			return &TwoNewError{fresh}
		case first == "" && len(fresh) == 1:
			if err := take(fresh[0]); err != nil {
				return err
			}
			first, until = fresh[0], time.Now().Add(settle)
		case first != "" && !slices.Contains(fresh, first):
			return fmt.Errorf("%s went away again", first)
		case first != "" && time.Now().After(until):
			return nil
		}
		select {
		case <-tick.C:
		case <-ctx.Done():
			return context.Cause(ctx)
		}
	}
}

// newSince returns the nodes of the disks that were not there before.
func newSince(before map[string]string) ([]string, error) {
	now, err := diskNumbers()
	if err != nil {
		return nil, err
	}
	var fresh []string
	for n, medium := range now {
		if before[n] != medium {
			fresh = append(fresh, nodeOf(n))
		}
	}
	slices.Sort(fresh)
	return fresh, nil
}

// NextTarget waits for one new disk and holds it as a target. ready is called
// when a disk that comes would be seen.
func NextTarget(ctx context.Context, ready func()) (*Target, error) {
	return nextTarget(ctx, ready, OpenTarget)
}

// NextReadOnly waits for one new disk and holds it, to look at it alone.
func NextReadOnly(ctx context.Context, ready func()) (*Target, error) {
	return nextTarget(ctx, ready, OpenReadOnly)
}

func nextTarget(ctx context.Context, ready func(), open func(path string) (*Target, error)) (*Target, error) {
	var t *Target
	err := next(ctx, ready, func(node string) (err error) {
		t, err = open(node)
		return err
	}, func() error { return t.Close() })
	if err != nil {
		return nil, err
	}
	return t, nil
}

// NextSource waits for one new disk and holds it as a source.
func NextSource(ctx context.Context, ready func()) (*Source, error) {
	var s *Source
	err := next(ctx, ready, func(node string) (err error) {
		s, err = OpenSource(node)
		return err
	}, func() error { return s.Close() })
	if err != nil {
		return nil, err
	}
	return s, nil
}
