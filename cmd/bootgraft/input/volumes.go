package input

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/plan/fit"
	"bootgraft/layout/scan"
	"bootgraft/layout/table/mbr"
	"bootgraft/layout/volume"
)

// VolumeHelp is what a command that has these flags says of them.
const VolumeHelp = `FAT volumes may change their size with the card. N is the number of the entry,
0 for a volume without a table:

  --volume N:shrink          as large as fits: what happens on a smaller card
  --volume N:shrink=SECTORS  to this size
  --volume N:grow            as far as the card, the FAT type and the device go
  --volume N:grow=SECTORS    to this size; refused if that cannot be
  --volume N:keep            not at all

  bootgraft plan old.img --size 62333952s --volume 1:grow \
      --device-limit 137GB -o card.plan
  bootgraft plan old.img --size 30000000s --move none --reserve 1% -o card.plan
  bootgraft plan old.img --size 30000000s --pin FIRMWARE.BIN -o card.plan

When a volume shrinks its data area keeps its place, and only clusters beyond
the new end move. When it grows, the data area moves as one if its tables have
no room left: a loader that finds its files by sector numbers must then be
installed again. What the loader finds by address is refused to move unless you
accept it by its code.`

// What may be chosen for a volume that changes.
var (
	moves    = Choices{Flag: "move", Words: []string{"none"}, None: true}
	slacks   = Choices{Flag: "fat-slack", Words: []string{"mark", "keep", "zero"}}
	badMarks = Choices{Flag: "bad-marks", Words: []string{"keep", "clear"}}
	frees    = Choices{Flag: "free", Words: []string{"copy", "skip"}, None: true}
)

// VolumeFlags are the wishes for FAT volumes.
type VolumeFlags struct {
	volumes []string
	Empty   []int
	pins    []string
	move    string
	slack   string
	bad     string
	free    string
	align   int64
	reserve string
	limit   string
	heads   string
}

// Add adds the flags to those of a command.
func (f *VolumeFlags) Add(c *cobra.Command) {
	fl := c.Flags()
	fl.StringArrayVar(&f.volumes, "volume", nil, "N:keep, N:shrink[=SECTORS] or N:grow[=SECTORS]; may be repeated")
	// Which volumes a drive has is not asked: to offer them it would have to be read.
	var wishes []string
	for n := range 5 { // 0 is the bare volume, 1 to 4 are the entries of most tables
		for _, wish := range []string{"keep", "shrink", "grow"} {
			wishes = append(wishes, fmt.Sprintf("%d:%s", n, wish))
		}
	}
	completes(c, "volume", wishes...)
	fl.IntSliceVar(&f.Empty, "empty-volume", nil, "make volume N empty, but for its boot sectors and label")
	fl.StringArrayVar(&f.pins, "pin", nil, "this file of a FAT volume must stay in its sectors; may be repeated")
	moves.Add(c, &f.move, "", "none: shrink only as far as no file has to move")
	slacks.Add(c, &f.slack, "mark", "table entries behind the last cluster of a smaller volume: mark as bad, "+
		"keep, or zero")
	badMarks.Add(c, &f.bad, "keep", "marks of bad clusters, which belong to the old drive: keep or clear")
	frees.Add(c, &f.free, "", "clusters that no file uses: copy or skip (default: skip only in a volume that changes)")
	fl.Int64Var(&f.align, "align", 0, "put the data area of a volume that changes on a multiple of so many sectors; some "+
		"loaders stop starting")
	fl.StringVar(&f.reserve, "reserve", "", "leave this part of the card free for a next one that is a little "+
		"smaller, e.g. 1%")
	fl.StringVar(&f.heads, "set-heads", "",
		"H/S: count the tuples of the table and of the boot sectors with H heads and S sectors of a track; "+
			"loaders that use them start only where the machine counts alike")
	fl.StringVar(&f.limit, "device-limit", "", "the device reaches no further: sectors (16450560s) or 504MiB, 2.1GB, "+
		"8.4GB, 33.8GB, 137GB, 2.2TB")
}

// parseHeads reads 16/63: heads and sectors of a track.
func parseHeads(text string) (*mbr.Geometry, error) {
	if text == "" {
		return nil, nil
	}
	a, b, ok := strings.Cut(text, "/")
	heads, err1 := strconv.Atoi(a)
	sectors, err2 := strconv.Atoi(b)
	if !ok || err1 != nil || err2 != nil || heads < 1 || heads > 255 || sectors < 1 || sectors > 63 {
		return nil, talk.Usagef("--set-heads %s is not understood: it is heads and sectors of a track, as in 16/63", text)
	}
	return &mbr.Geometry{Heads: heads, SectorsPerTrack: sectors}, nil
}

// MachineGeometry reads 1024/255/63: cylinders, heads, and sectors of a track. It is
// the zero value where nothing was typed.
func MachineGeometry(text string) (g layout.Geometry, err error) {
	if text == "" {
		return g, nil
	}
	var n [3]int
	parts := strings.Split(text, "/")
	for i := range n {
		if len(parts) != len(n) {
			err = strconv.ErrSyntax
		} else if n[i], err = strconv.Atoi(parts[i]); n[i] < 1 {
			err = strconv.ErrRange
		}
		if err != nil {
			break
		}
	}
	// Cylinders have 16 bits and sectors 8 in the registers of ATA (ATA-3, Annex B), heads
	// 8 bits in a partition record (EFI Specification 1.02, table 16-5).
	if err != nil || n[0] > 65535 || n[1] > 256 || n[2] > 255 {
		return g, talk.Usagef("--machine-geometry %s is not understood: it is cylinders, heads and sectors of a track, as "+
			"in 1024/255/63", text)
	}
	return layout.Geometry{Cylinders: n[0], Heads: n[1], Sectors: n[2]}, nil
}

// walls are the well-known limits of old devices, in sectors of 512 bytes:
// 1024*16*63 (ATA-3, Annex B), 1024*64*63, 1024*255*63 (INT 13h), 65535*16*63
// (from memory), 2^28 (28-bit addresses of ATA), 2^32.
var walls = map[string]disk.Sector{
	"504MiB": 1024 * 16 * 63, "528MB": 1024 * 16 * 63, "2.1GB": 1024 * 64 * 63, "8.4GB": 1024 * 255 * 63,
	"33.8GB": 65535 * 16 * 63, "137GB": 1 << 28, "2.2TB": 1 << 32,
}

// Wishes turns the flags into wishes for the planner.
func (f *VolumeFlags) Wishes(sectorSize int) (fit.Volumes, error) {
	common, err := f.common()
	if err != nil {
		return fit.Volumes{}, err
	}
	out := fit.Volumes{Wish: map[int]volume.Wishes{}, Default: common}
	for _, text := range f.volumes {
		index, w, err := parseVolume(text, common)
		if err != nil {
			return out, err
		}
		if _, twice := out.Wish[index]; twice {
			return out, talk.Usagef("--volume %d is given twice", index)
		}
		out.Wish[index] = w
	}
	for _, index := range f.Empty {
		w, ok := out.Wish[index]
		if !ok {
			w = common
		}
		w.Empty = true
		out.Wish[index] = w
	}
	if out.Heads, err = parseHeads(f.heads); err != nil {
		return out, err
	}
	if out.Reserve, err = parseShare(f.reserve); err != nil {
		return out, err
	}
	out.Limit, err = parseLimit(f.limit, sectorSize)
	return out, err
}

// common returns what holds for every volume that changes.
func (f *VolumeFlags) common() (w volume.Wishes, err error) {
	for _, x := range []struct {
		choices Choices
		value   string
	}{{moves, f.move}, {slacks, f.slack}, {badMarks, f.bad}, {frees, f.free}} {
		err = cmp.Or(err, x.choices.Check(x.value))
	}
	if f.align < 0 && err == nil {
		err = talk.Usagef("--align cannot be negative")
	}
	return volume.Wishes{
		Pins: f.pins, MoveNone: f.move == "none", Slack: volume.Slack(f.slack), BadMarks: volume.BadMarks(f.bad),
		Free: volume.Free(f.free), Align: disk.Sector(f.align),
	}, err
}

// PinsThere refuses the name of a file to pin that no FAT volume of a disk has, whether anything
// moves there or not: a slip of the keyboard would let the file move. The error is a *fit.Refused,
// or about wrong usage where the file lies in a volume that is made empty.
func (f *VolumeFlags) PinsThere(ctx context.Context, src image.Source, m *layout.Map) error {
	lies := map[string]int{} // the volume that has a file, by its name
	for _, v := range m.Volumes {
		if len(f.pins) == 0 || !strings.HasPrefix(v.Kind, "fat") {
			continue
		}
		opened, err := scan.Open(src, m, v.Index)
		if err != nil { // nothing in it can be pinned, and that is said of each name
			continue
		}
		if _, err := opened.Files(volume.Options{}, func(file *volume.File) error {
			lies[pinName(file.Path)] = v.Index
			return ctx.Err()
		}); err != nil {
			return err
		}
	}
	var no fit.Refused
	for _, pin := range f.pins {
		switch index, there := lies[pinName(pin)]; {
		case !there:
			no.Why = append(no.Why, disk.Refusalf(disk.PinNotFound, disk.NoSector,
				"there is no file %s in a FAT volume of the source that could be kept in its place", words.Printable(pin)))
		case slices.Contains(f.Empty, index):
			return talk.Usagef("--pin %s keeps a file of volume %d, and --empty-volume %d leaves none there", pin, index, index)
		}
	}
	if no.Why != nil {
		return &no
	}
	return nil
}

// pinName is a path as pins are compared: FAT tells no capital letters from small ones.
func pinName(path string) string { return strings.ToUpper(strings.Trim(path, "/")) }

func parseVolume(text string, w volume.Wishes) (int, volume.Wishes, error) {
	number, mode, ok := strings.Cut(text, ":")
	mode, size, sized := strings.Cut(mode, "=")
	index, err := strconv.Atoi(number)
	known := mode == "shrink" || mode == "grow" || mode == "keep" && !sized
	if !ok || err != nil || index < 0 || !known {
		return 0, w, talk.Usagef("--volume %s is not understood: it is N:keep, N:shrink[=SECTORS] or N:grow[=SECTORS]", text)
	}
	w.Mode = volume.Mode(mode)
	if sized {
		n, err := strconv.ParseInt(strings.TrimSuffix(size, "s"), 10, 62)
		if err != nil || n <= 0 {
			return 0, w, talk.Usagef("--volume %s: %q is no number of sectors", text, size)
		}
		w.Sectors = disk.Sector(n)
	}
	return index, w, nil
}

// parseShare reads 1% as 0.01.
func parseShare(text string) (float64, error) {
	if text == "" {
		return 0, nil
	}
	number, ok := strings.CutSuffix(text, "%")
	part, err := strconv.ParseFloat(number, 64)
	if !ok || err != nil || !(part >= 0 && part < 100) {
		return 0, talk.Usagef("--reserve %s is not understood: it is a part of the card, such as 1%%", text)
	}
	return part / 100, nil
}

func parseLimit(text string, sectorSize int) (disk.Sector, error) {
	if text == "" {
		return 0, nil
	}
	if wall, ok := walls[text]; ok {
		return wall * 512 / disk.Sector(sectorSize), nil
	}
	s, err := ParseSize(text, sectorSize)
	return s.Sectors, err
}
