package safety

import (
	"errors"
	"fmt"
	"io/fs"
	"os"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/safety/blockdev"
	"bootgraft/safety/newfile"
)

// guard judges whether a name may become a file of a kind.
type guard struct {
	fs      newfile.System
	path    string
	kind    FileKind // of the file that comes
	replace bool
	avoid   []os.FileInfo
	loops   func() ([]blockdev.Loop, error)
	swaps   string // the kernel's list of swap areas
}

func (g *guard) refuse(code disk.Code, do, why string, args ...any) error {
	return &Refusal{Code: code, Path: g.path, Why: fmt.Sprintf(why, args...), Do: do}
}

// target returns what is at the path now, or nil if nothing is.
func (g *guard) target() (fs.FileInfo, error) {
	if err := g.noDevice(); err != nil {
		return nil, err
	}
	if err := g.folder(); err != nil {
		return nil, err
	}
	fi, err := g.fs.Lstat(g.path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, g.notUnderDev()
	}
	if err != nil {
		return nil, err
	}
	if err := g.unused(fi); err != nil {
		return nil, err
	}
	if err := g.notUnderDev(); err != nil {
		return nil, err
	}
	if err := g.replaceable(fi); err != nil {
		return nil, err
	}
	if !g.replace {
		return nil, g.refuse(disk.TargetExists, g.orReplace("choose another name"), "it exists")
	}
	if n := newfile.Names(fi); n > 1 && !(n == 2 && g.secondName(fi)) {
		return nil, g.refuse(disk.TargetManyNames, "choose another name",
			"the file has %d names (hard links), and the others would keep the old bytes", n)
	}
	return fi, nil
}

// orReplace adds the flag to what may be done, where the command has it.
func (g *guard) orReplace(do string) string {
	if g.kind == TraceFile {
		return do
	}
	return do + ", or add --replace"
}

// replaceable refuses a file in whose place none of this kind may be put. It is
// asked first, so that nobody is told to add --replace in vain.
func (g *guard) replaceable(fi fs.FileInfo) error {
	kind, note, err := fileKind(g.path, fi)
	if err != nil {
		return err
	}
	return g.protects(mayReplace(kind, g.kind), note)
}

// protects completes a refusal of the table.
func (g *guard) protects(r *Refusal, note string) error {
	if r == nil {
		return nil
	}
	r.Path = g.path
	if note != "" {
		r.Why += " (" + note + ")"
	}
	return r
}

// secondName tells whether the unfinished name is a second name of the file: a
// run was killed between giving it its name and taking the other away.
func (g *guard) secondName(fi fs.FileInfo) bool {
	other, err := g.fs.Lstat(g.temp())
	return err == nil && os.SameFile(other, fi)
}

// noDevice refuses a name that stands for a device by its form alone.
func (g *guard) noDevice() error {
	switch kind := image.NameKind(g.path); kind {
	case "":
		return nil
	case image.BlockDevice:
		return g.refuse(disk.TargetWrongKind, "choose a file; a card is written with --device", "it is %s, not a file", kind)
	default:
		return g.refuse(disk.TargetWrongKind, "choose another name", "it is %s, not a file", kind)
	}
}

// folder checks that there is a folder to hold the file.
func (g *guard) folder() error {
	dir := newfile.FolderOf(g.path)
	fi, err := os.Stat(dir)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return g.refuse(disk.NoFolder, "make the folder first: mkdir -p "+dir, "there is no folder %s", dir)
	case err != nil:
		return err
	case !fi.IsDir():
		return g.refuse(disk.NoFolder, "choose another name", "%s is %s, not a folder", dir, image.Kind(fi.Mode()))
	}
	return nil
}

func (g *guard) notUnderDev() error {
	dev, err := newfile.UnderDev(newfile.FolderOf(g.path))
	if err == nil && dev {
		err = g.refuse(disk.TargetUnderDev, "choose a name in another folder; a card is written with --device",
			"it is under /dev, where a file only fills the memory of the machine")
	}
	return err
}

// unused refuses everything but a regular file that nobody else depends on.
// The source is looked for behind a link first: that is the graver mistake.
func (g *guard) unused(fi fs.FileInfo) error {
	real := fi
	if fi.Mode()&fs.ModeSymlink != 0 {
		if to, err := os.Stat(g.path); err == nil {
			real = to
		}
	}
	for _, a := range g.avoid {
		if os.SameFile(a, real) {
			return g.refuse(disk.TargetIsSource, "choose another name", "it is the same file as %s, which this job reads",
				a.Name())
		}
	}
	if !fi.Mode().IsRegular() {
		do := "choose another name"
		if fi.Mode()&fs.ModeDevice != 0 {
			do = "choose a file; a card is written with --device"
		}
		return g.refuse(disk.TargetWrongKind, do, "it is %s, not a file", image.Kind(fi.Mode()))
	}
	loops, err := g.loops()
	if err != nil {
		return fmt.Errorf("looking for loop devices that use %s: %w", g.path, err)
	}
	for _, l := range loops {
		switch uses, err := l.Uses(fi); {
		case err != nil:
			return fmt.Errorf("looking for loop devices that use %s: %w", g.path, err)
		case uses:
			return g.refuse(disk.TargetInLoop, "detach it first (losetup -d "+l.Node+")", "the loop device %s uses it", l.Node)
		}
	}
	return g.noSwap(fi)
}

func (g *guard) noSwap(fi fs.FileInfo) error {
	areas, err := blockdev.Swaps(g.swaps)
	if err != nil {
		return err
	}
	for _, name := range areas {
		if at, err := os.Stat(name); err == nil && os.SameFile(at, fi) {
			return g.refuse(disk.TargetInSwap, "choose another name", "the system swaps to it")
		}
	}
	return nil
}
