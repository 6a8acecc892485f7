package rig

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"sync"
	"syscall"
	"time"

	"github.com/hanwen/go-fuse/v2/fs"
	"github.com/hanwen/go-fuse/v2/fuse"

	"bootgraft/image/disk"
	"bootgraft/image/imagetest/need"
)

// serve mounts one file, "disk", and answers until it is killed.
func serve(text string) error {
	var c config
	if err := json.Unmarshal([]byte(text), &c); err != nil {
		return err
	}
	backing, err := os.OpenFile(c.Backing, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	other := backing
	if c.SwapAfter > 0 {
		if other, err = os.Open(c.Other); err != nil {
			return err
		}
	}
	log, err := os.OpenFile(c.Log, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	st, err := backing.Stat()
	if err != nil {
		return err
	}
	d := &served{config: c, backing: backing, other: other, log: log, size: uint64(st.Size()),
		bad: disk.NewSpans(c.Bad...)}
	opts := &fs.Options{MountOptions: fuse.MountOptions{DirectMountStrict: true, MaxWrite: 1 << 20, DisableSplice: true}}
	server, err := fs.Mount(c.Mount, &root{disk: d}, opts)
	if err != nil {
		return err
	}
	go func() {
		io.Copy(io.Discard, os.Stdin) // ends with the process that started this one
		need.Unmount(c.Mount)
		os.Exit(0)
	}()
	server.Wait()
	return nil
}

type root struct {
	fs.Inode
	disk *served
}

var _ fs.NodeOnAdder = (*root)(nil)

func (r *root) OnAdd(ctx context.Context) {
	r.AddChild("disk", r.NewPersistentInode(ctx, r.disk, fs.StableAttr{Mode: syscall.S_IFREG}), false)
}

// disk is the file: the drive.
type served struct {
	fs.Inode
	config
	backing, other, log *os.File
	size                uint64
	bad                 disk.Spans

	mu    sync.Mutex
	reads int
}

var (
	_ fs.NodeGetattrer = (*served)(nil)
	_ fs.NodeSetattrer = (*served)(nil)
	_ fs.NodeOpener    = (*served)(nil)
	_ fs.NodeReader    = (*served)(nil)
	_ fs.NodeWriter    = (*served)(nil)
	_ fs.NodeFsyncer   = (*served)(nil)
)

func (d *served) Getattr(_ context.Context, _ fs.FileHandle, out *fuse.AttrOut) syscall.Errno {
	out.Size, out.Mode = d.size, syscall.S_IFREG|0o600
	if st, err := d.backing.Stat(); err == nil { // a drive may shrink
		out.Size = uint64(st.Size())
	}
	return 0
}

func (d *served) Setattr(ctx context.Context, f fs.FileHandle, _ *fuse.SetAttrIn, out *fuse.AttrOut) syscall.Errno {
	return d.Getattr(ctx, f, out)
}

func (d *served) Open(context.Context, uint32) (fs.FileHandle, uint32, syscall.Errno) {
	return nil, fuse.FOPEN_DIRECT_IO, 0
}

func (d *served) Fsync(context.Context, fs.FileHandle, uint32) syscall.Errno { return 0 }

// note writes one line of the log before anything else happens.
func (d *served) note(kind string, n int, off int64) disk.Span {
	s := disk.Between(disk.Sector(off/sectorSize), disk.Sector((off+int64(n)+sectorSize-1)/sectorSize))
	fmt.Fprintf(d.log, "%s %d %d\n", kind, s.Start, s.Count)
	return s
}

func (d *served) Write(_ context.Context, _ fs.FileHandle, data []byte, off int64) (uint32, syscall.Errno) {
	d.note("W", len(data), off)
	n, err := d.backing.WriteAt(data, off)
	return uint32(n), fs.ToErrno(err)
}

// Read never answers with fewer bytes than asked for: the rest would be taken
// for zeros.
func (d *served) Read(_ context.Context, _ fs.FileHandle, dest []byte, off int64) (fuse.ReadResult, syscall.Errno) {
	s := d.note("R", len(dest), off)
	if d.fails(s) {
		return nil, syscall.EIO
	}
	if _, err := d.answering().ReadAt(dest, off); err != nil {
		return nil, syscall.EIO
	}
	return fuse.ReadResultData(dest), 0
}

// answering is the drive that is connected now.
func (d *served) answering() *os.File {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.SwapAfter > 0 && d.reads > d.SwapAfter {
		return d.other
	}
	return d.backing
}

func (d *served) fails(s disk.Span) bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.reads++; d.GoneAfter > 0 && d.reads > d.GoneAfter {
		return true
	}
	for _, x := range d.Hangs {
		if s.Holds(x) {
			select {} // for ever; the other reads wait too, as behind a real drive
		}
	}
	for x, t := range d.Slow {
		if s.Holds(x) {
			time.Sleep(t)
		}
	}
	for x, n := range d.Heals {
		if s.Holds(x) && n > 0 {
			d.Heals[x]--
			return true
		}
	}
	return len(d.bad.Within(s)) > 0
}
