//go:build unix

package safety

import (
	"bytes"
	"context"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
	"testing"

	"bootgraft/image/disk"
	"bootgraft/safety/newfile"
)

var errFault = &fs.PathError{Op: "fault", Path: "card", Err: syscall.EIO}

// faults is the real file system, whose operation number at fails.
type faults struct {
	newfile.OS
	n, at   int
	then    func() error // what happens at that operation; its error is the operation's
	plain   bool         // like a file system without renameat2(2)
	noLinks bool         // like FAT
	seen    []string     // the operations
}

func (f *faults) op(name string) error {
	f.n++
	f.seen = append(f.seen, name)
	if f.n == f.at {
		return f.then()
	}
	return nil
}

func (f *faults) Lstat(name string) (fs.FileInfo, error) {
	if err := f.op("lstat"); err != nil {
		return nil, err
	}
	return f.OS.Lstat(name)
}

func (f *faults) Create(name string, perm fs.FileMode) (newfile.OutFile, error) {
	if err := f.op("create"); err != nil {
		return nil, err
	}
	file, err := f.OS.Create(name, perm)
	if err != nil {
		return nil, err
	}
	return &faultyFile{file, f}, nil
}

func (f *faults) Exchange(a, b string) error {
	if err := f.op("exchange"); err != nil {
		return err
	}
	if f.plain {
		return errors.ErrUnsupported
	}
	return f.OS.Exchange(a, b)
}

func (f *faults) RenameNew(from, to string) error {
	if err := f.op("rename new"); err != nil {
		return err
	}
	if f.plain {
		return errors.ErrUnsupported
	}
	return f.OS.RenameNew(from, to)
}

func (f *faults) Link(from, to string) error {
	if err := f.op("link"); err != nil {
		return err
	}
	if f.noLinks {
		return &os.LinkError{Op: "link", Old: from, New: to, Err: syscall.EPERM}
	}
	return f.OS.Link(from, to)
}

func (f *faults) Rename(from, to string) error {
	if err := f.op("rename"); err != nil {
		return err
	}
	return f.OS.Rename(from, to)
}

func (f *faults) Remove(name string) error {
	if err := f.op("remove"); err != nil {
		return err
	}
	return f.OS.Remove(name)
}

func (f *faults) SyncFolder(name string) error {
	if err := f.op("sync folder"); err != nil {
		return err
	}
	return f.OS.SyncFolder(name)
}

type faultyFile struct {
	newfile.OutFile
	f *faults
}

// WriteAt writes half before it fails.
func (o *faultyFile) WriteAt(p []byte, off int64) (int, error) {
	if err := o.f.op("write"); err != nil {
		n, _ := o.OutFile.WriteAt(p[:len(p)/2], off)
		return n, err
	}
	return o.OutFile.WriteAt(p, off)
}

func (o *faultyFile) Truncate(size int64) error {
	if err := o.f.op("truncate"); err != nil {
		return err
	}
	return o.OutFile.Truncate(size)
}

func (o *faultyFile) Sync() error {
	if err := o.f.op("sync"); err != nil {
		return err
	}
	return o.OutFile.Sync()
}

func (o *faultyFile) Stat() (fs.FileInfo, error) {
	if err := o.f.op("stat"); err != nil {
		return nil, err
	}
	return o.OutFile.Stat()
}

func (o *faultyFile) Close() error {
	if err := o.f.op("close"); err != nil {
		o.OutFile.Close()
		return err
	}
	return o.OutFile.Close()
}

// sweepCase is one way of writing a card.
type sweepCase struct {
	name                           string
	replace, plain, noLinks, stale bool
}

var sweepCases = []sweepCase{
	{name: "new"},
	{name: "new, by a link", plain: true},
	{name: "new, no hard links", plain: true, noLinks: true},
	{name: "replace", replace: true},
	{name: "replace, by a rename alone", plain: true, replace: true},
	{name: "replace, broken run before", replace: true, stale: true},
}

// prepare returns a writer whose operation at does what then does.
func (c sweepCase) prepare(t *testing.T, dir string, at int, then func() error) (*imageWriter, *faults, *model) {
	path := filepath.Join(dir, "card.img")
	if c.replace {
		put(t, path, oldImage)
	}
	if c.stale {
		put(t, path+unfinished, halfImage)
	}
	m := wholeCopy(patterned(1, 2048+9))
	w := newImageWriter(path, m, m.pieces, Options{Replace: c.replace, Hash: true})
	f := &faults{at: at, then: then, plain: c.plain, noLinks: c.noLinks}
	w.fs = f
	return w, f, m
}

// Every operation fails once: the target is old or absent after an error, new
// and whole without one, and no unfinished file of this run remains.
func TestFaultSweep(t *testing.T) {
	for _, c := range sweepCases {
		t.Run(c.name, func(t *testing.T) {
			for at := 1; ; at++ {
				dir := t.TempDir()
				w, f, m := c.prepare(t, dir, at, func() error { return errFault })
				res, err := w.run(context.Background())
				if f.n < at {
					if err != nil || res.Folder != nil {
						t.Fatalf("no fault, and yet %v, %v", err, res.Folder)
					}
					return
				}
				t.Logf("%d: %s: %v", at, f.seen[at-1], err)
				checkSwept(t, c, dir, m, f.seen[at-1], res, err)
			}
		})
	}
}

func checkSwept(t *testing.T, c sweepCase, dir string, m *model, op string, res Result, err error) {
	t.Helper()
	path := filepath.Join(dir, "card.img")
	switch {
	case err == nil && op != "sync folder":
		t.Errorf("%s failed, and nobody heard", op)
	case err == nil:
		if !errors.Is(res.Folder, syscall.EIO) {
			t.Errorf("the folder was not flushed: %v", res.Folder)
		}
		holds(t, path, m.file)
		only(t, dir, "card.img")
	case !errors.Is(err, syscall.EIO):
		t.Errorf("%s: the error lost its cause: %v", op, err)
	case c.replace:
		holds(t, path, oldImage)
	default:
		if _, err := os.Lstat(path); !errors.Is(err, fs.ErrNotExist) {
			t.Errorf("%s failed, and the target is there", op)
		}
	}
	if left, err := os.ReadFile(path + unfinished); err == nil && (!c.stale || !bytes.Equal(left, halfImage)) {
		t.Errorf("%s failed, and the unfinished file remains", op)
	}
}

// Somebody takes a name while the card is written: that file is never touched.
func TestNameTakenMeanwhile(t *testing.T) {
	for _, c := range sweepCases[:5] {
		for _, op := range []string{"sync", "rename new", "exchange", "link", "create"} {
			dir := t.TempDir()
			path := filepath.Join(dir, "card.img")
			w, f, _ := c.prepare(t, dir, 0, nil)
			w.fs = &intruder{faults: f, op: op, act: func() {
				os.Remove(path)
				put(t, path, []byte("somebody else's"))
			}}
			res, err := w.run(context.Background())
			var r *Refusal
			if !w.fs.(*intruder).acted {
				if err != nil || res.SHA256 == "" {
					t.Errorf("%s, %s: nobody came, and yet %v", c.name, op, err)
				}
				continue
			}
			if !errors.As(err, &r) || r.Code != disk.TargetChanged {
				t.Errorf("%s, %s: got %v", c.name, op, err)
			}
			holds(t, path, []byte("somebody else's"))
			only(t, dir, "card.img")
		}
	}
}

// intruder acts before an operation, once the target is being written.
type intruder struct {
	*faults
	op    string
	act   func()
	acted bool
	files int
}

func (i *intruder) Create(name string, perm fs.FileMode) (newfile.OutFile, error) {
	if i.files++; i.files == 2 && i.op == "create" {
		i.acted = true
		i.act()
	}
	f, err := i.faults.Create(name, perm)
	if err != nil {
		return nil, err
	}
	return &intrudedFile{f, i}, nil
}

func (i *intruder) RenameNew(from, to string) error {
	if i.op == "rename new" {
		i.acted = true
		i.act()
	}
	return i.faults.RenameNew(from, to)
}

func (i *intruder) Exchange(a, b string) error {
	if i.op == "exchange" && !i.faults.plain && !i.acted {
		i.acted = true
		i.act()
	}
	return i.faults.Exchange(a, b)
}

func (i *intruder) Link(from, to string) error {
	if i.op == "link" {
		i.acted = true
		i.act()
	}
	return i.faults.Link(from, to)
}

type intrudedFile struct {
	newfile.OutFile
	i *intruder
}

func (f *intrudedFile) Sync() error {
	if f.i.op == "sync" {
		f.i.acted = true
		f.i.act()
	}
	return f.OutFile.Sync()
}

// Another file under the unfinished name is neither published nor removed.
func TestUnfinishedTakenMeanwhile(t *testing.T) {
	dir := t.TempDir()
	w, f, _ := sweepCases[0].prepare(t, dir, 0, nil)
	w.fs = &intruder{faults: f, op: "sync", act: func() {
		os.Remove(w.temp())
		put(t, w.temp(), []byte("somebody else's"))
	}}
	var r *Refusal
	if _, err := w.run(context.Background()); !errors.As(err, &r) || r.Code != disk.TargetChanged {
		t.Errorf("got %v", err)
	}
	only(t, dir, "card.img"+unfinished)
	holds(t, w.temp(), []byte("somebody else's"))
}

// What a file system that is full, or has no large files, answers.
func TestNoRoom(t *testing.T) {
	for _, c := range []struct {
		code  disk.Code
		files newfile.System
	}{
		{disk.NoRoom, fullFiles{}},
		{disk.FileTooLarge, smallFiles{}},
	} {
		w := writerTo(filepath.Join(t.TempDir(), "card.img"), Options{})
		w.fs = c.files
		r := refused(t, w, c.code)
		if c.code == disk.NoRoom && r.Do != "free "+disk.Counted(4096*sector-1000, "byte")+", or choose another folder" {
			t.Errorf("advice: %s", r.Do)
		}
	}
}

type fullFiles struct{ newfile.OS }

func (fullFiles) Room(string) (int64, bool) { return 1000, true }

// smallFiles answers as FAT does to a size of 4 GiB: EFBIG, ftruncate(2).
type smallFiles struct{ newfile.OS }

func (smallFiles) Create(name string, perm fs.FileMode) (newfile.OutFile, error) {
	f, err := newfile.OS{}.Create(name, perm)
	return smallFile{f}, err
}

type smallFile struct{ newfile.OutFile }

func (smallFile) Truncate(int64) error {
	return &fs.PathError{Op: "truncate", Path: "card", Err: syscall.EFBIG}
}
