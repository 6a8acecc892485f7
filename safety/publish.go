package safety

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"syscall"
)

// publish gives the finished file, which is mine, the name of the target.
func (w *imageWriter) publish(mine fs.FileInfo) error {
	now, err := w.fs.lstat(w.temp)
	if err != nil {
		return err
	}
	if !os.SameFile(now, mine) {
		return w.refuse(TargetChanged, "see who else writes there, and start again", "somebody put another file at %s", w.temp)
	}
	at, err := w.target() // all guards again: much time has gone by
	var r *Refusal
	if errors.As(err, &r) && r.Code == TargetExists {
		return w.refuse(TargetChanged, "look at that file, then choose another name or add --replace",
			"somebody put a file there while the new one was written")
	}
	if err != nil {
		return err
	}
	if at == nil {
		return w.publishNew()
	}
	if w.old == nil || !os.SameFile(at, w.old) || at.Size() != w.old.Size() || !at.ModTime().Equal(w.old.ModTime()) {
		return w.refuse(TargetChanged, "look at that file, then start again", "somebody changed it while the new one was written")
	}
	return w.fs.rename(w.temp, w.path)
}

// publishNew never takes a name that somebody else took in the meantime: a
// hard link fails then. Where the file system has no hard links, an empty file
// claims the name first.
func (w *imageWriter) publishNew() error {
	err := w.fs.link(w.temp, w.path)
	switch {
	case errors.Is(err, fs.ErrExist):
		return w.refuse(TargetChanged, "look at that file, then choose another name or add --replace",
			"somebody put a file there while the new one was written")
	case noLinks(err):
		return w.claim()
	case err != nil:
		return err
	}
	if err := w.fs.remove(w.temp); err != nil {
		return errors.Join(fmt.Errorf("finishing %s: %w", w.path, err), w.fs.remove(w.path))
	}
	return nil
}

// noLinks tells whether link(2) failed because there are no hard links there:
// EPERM on FAT, others elsewhere.
func noLinks(err error) bool {
	return errors.Is(err, syscall.EPERM) || errors.Is(err, syscall.EMLINK) || errors.Is(err, errors.ErrUnsupported)
}

func (w *imageWriter) claim() error {
	f, err := w.fs.create(w.path, 0o600)
	if errors.Is(err, fs.ErrExist) {
		return w.refuse(TargetChanged, "look at that file, then choose another name or add --replace",
			"somebody put a file there while the new one was written")
	}
	if err != nil {
		return err
	}
	err = f.Close()
	if err == nil {
		err = w.fs.rename(w.temp, w.path)
	}
	if err != nil {
		return errors.Join(err, w.fs.remove(w.path))
	}
	return nil
}
