package safety

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"

	"bootgraft/image/disk"
	"bootgraft/safety/blockdev"
	"bootgraft/safety/newfile"
)

// unfinished is what is added to the name of a file while it is written.
const unfinished = newfile.Unfinished

// Output is a file that is to be made. It appears under its name when it is
// complete; until then it is Path + Unfinished, and an older file is untouched.
type Output struct {
	Path    string
	Kind    FileKind
	Replace bool          // an older file of this kind, or what a broken run left, may be replaced
	Avoid   []os.FileInfo // files that this job reads; the output is none of them, under whatever name
}

func (o Output) guard() guard {
	return guard{fs: newfile.OS{}, path: o.Path, kind: o.Kind, replace: o.Replace, avoid: o.Avoid,
		loops: blockdev.Loops, swaps: blockdev.SwapList}
}

// Check tells, before long work, whether the file can be made. The error is a
// *Refusal, or of the file system. It changes nothing.
func (o Output) Check() error {
	g := o.guard()
	if _, err := g.target(); err != nil {
		return err
	}
	_, err := g.stale()
	return err
}

// Write makes the file of what write writes. After an error an older file is as
// it was, and no unfinished file remains, unless the error says so.
func (o Output) Write(write func(io.Writer) error) error {
	g := o.guard()
	folder, err := g.make(context.Background(), 0, func(f newfile.OutFile) error {
		if err := write(f); err != nil {
			return fmt.Errorf("writing %s: %w", o.Path, err)
		}
		return g.flush(f)
	})
	if err == nil && folder != nil {
		err = fmt.Errorf("%s is complete, but its folder could not be flushed, so its name may not outlast a power cut: %w",
			o.Path, folder)
	}
	return err
}

func (g *guard) temp() string { return g.path + unfinished }

// make makes a file. need is how many bytes it may take up, 0 if that is not
// known. fill writes and flushes it. folder is an error if the folder could not
// be flushed; the file is then whole and in its place.
func (g *guard) make(ctx context.Context, need int64, fill func(newfile.OutFile) error) (folder, err error) {
	old, err := g.target()
	if err != nil {
		return nil, err
	}
	stale, err := g.stale()
	if err != nil {
		return nil, err
	}
	if err := g.enough(need, stale); err != nil {
		return nil, err
	}
	// After every guard: a refusal leaves even what an earlier run left behind.
	if stale != nil {
		if err := g.fs.Remove(g.temp()); err != nil {
			return nil, err
		}
	}
	d, err := newfile.Begin(g.fs, g.path, old)
	if err != nil {
		return nil, fmt.Errorf("%s cannot be made: %w", g.path, err)
	}
	if err := g.finish(ctx, d, old, fill); err != nil {
		return nil, errors.Join(err, d.Discard())
	}
	return g.fs.SyncFolder(newfile.FolderOf(g.path)), nil
}

// finish writes the draft to the end and gives it its name.
func (g *guard) finish(ctx context.Context, d *newfile.Draft, old fs.FileInfo, fill func(newfile.OutFile) error) error {
	if err := fill(d.OutFile); err != nil {
		return err
	}
	// An error of a late write may only come now: before the file has its name.
	if err := d.Close(); err != nil {
		return fmt.Errorf("closing %s: %w", g.temp(), err)
	}
	if err := ctx.Err(); err != nil { // the last moment at which stopping changes nothing
		return err
	}
	if err := g.again(old); err != nil {
		return err
	}
	switch err := d.Publish(); {
	case errors.Is(err, newfile.ErrTaken):
		return g.refuse(disk.TargetChanged, "look at that file, then start again",
			"somebody put a file there, or changed it, while the new one was written")
	case errors.Is(err, newfile.ErrSwapped):
		return g.refuse(disk.TargetChanged, "see who else writes there, and start again", "somebody put another file at %s",
			g.temp())
	default:
		return err
	}
}

// again looks whether the place is as it was, and asks all guards once more: much
// time has gone by.
func (g *guard) again(old fs.FileInfo) error {
	now, err := g.fs.Lstat(g.path)
	switch {
	case errors.Is(err, fs.ErrNotExist) && old == nil:
	case errors.Is(err, fs.ErrNotExist):
		return g.refuse(disk.TargetChanged, "find out who did, then start again",
			"somebody took it away while the new one was written")
	case err != nil:
		return err
	case old == nil:
		return g.refuse(disk.TargetChanged, "look at that file, then choose another name",
			"somebody put a file there while the new one was written")
	case !newfile.Same(now, old):
		return g.refuse(disk.TargetChanged, "look at that file, then start again",
			"somebody put another file there while the new one was written")
	}
	_, err = g.target()
	return err
}

// flush makes what was written outlast a power cut.
func (g *guard) flush(f newfile.OutFile) error {
	if err := f.Sync(); err != nil {
		return fmt.Errorf("flushing %s: %w", g.temp(), err)
	}
	return nil
}

// size gives the file its size.
func (g *guard) size(f newfile.OutFile, bytes int64) error {
	err := f.Truncate(bytes)
	if newfile.TooLarge(err) {
		return g.refuse(disk.FileTooLarge, "choose a folder on another file system",
			"its file system cannot hold a file of %s", disk.Counted(bytes, "byte"))
	}
	return err
}

// stale returns what a broken run left under the unfinished name, or nil.
func (g *guard) stale() (fs.FileInfo, error) {
	left := *g
	left.path = g.temp()
	fi, err := g.fs.Lstat(left.path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	if err := left.unused(fi); err != nil {
		return nil, err
	}
	if newfile.InUse(left.path) {
		return nil, left.refuse(disk.UnfinishedInUse, "wait for it", "another run is writing it now")
	}
	if err := left.leftover(fi); err != nil {
		return nil, err
	}
	if !g.replace {
		return nil, left.refuse(disk.UnfinishedExists, g.orReplace("if it is that, delete it"),
			"it looks like what a run that broke off left")
	}
	return fi, nil
}

// leftover refuses a file under the unfinished name that no broken run of this
// kind can have left.
func (g *guard) leftover(fi fs.FileInfo) error {
	kind, note, err := fileKind(g.path, fi)
	if err != nil || kind == g.kind {
		return err
	}
	if _, ok := protected[kind]; ok {
		return g.protects(mayReplace(kind, g.kind), note)
	}
	head, err := readHead(g.path)
	if err != nil || mayBreakOffAs(g.kind, kind, head) {
		return err
	}
	return g.refuse(disk.TargetOtherKind, "move that file away, or choose another name",
		"it is no file that a run which broke off left there")
}

// enough refuses if the file system has no room for all bytes that may have to
// be stored. Zeros among them are found only by reading, so they count.
func (g *guard) enough(need int64, stale fs.FileInfo) error {
	free, known := g.fs.Room(newfile.FolderOf(g.path))
	if stale != nil {
		free += newfile.StoredBytes(stale)
	}
	if known && need > free {
		return g.refuse(disk.NoRoom, fmt.Sprintf("free %s, or choose another folder", disk.Counted(need-free, "byte")),
			"it needs %s, and its file system has %s left", disk.Counted(need, "byte"), disk.Grouped(free))
	}
	return nil
}
