package faultdev

import (
	"context"
	"os"
	"strconv"
	"syscall"
	"testing"

	"github.com/hanwen/go-fuse/v2/fs"
	"github.com/hanwen/go-fuse/v2/fuse"

	"bootgraft/image/imagetest/need"
)

// Serve makes a file of the card, by FUSE, until the test ends: a loop device
// over it is a real block device with the faults of the card.
func Serve(t testing.TB, c *Card) (path string) {
	t.Helper()
	need.Tool(t, "losetup") // before anything is mounted
	return Mount(t, &folder{card: c}) + "/card"
}

// Mount mounts a file system of this process, by FUSE, until the test ends.
func Mount(t testing.TB, root fs.InodeEmbedder) (dir string) {
	t.Helper()
	need.FUSE(t)
	dir = t.TempDir()
	opts := &fs.Options{MountOptions: fuse.MountOptions{DirectMountStrict: true, MaxWrite: 1 << 20, DisableSplice: true}}
	back := need.LentMount(t, dir)
	server, err := mountClosedOnExec(dir, root, opts)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := need.Unmount(dir); err != nil {
			t.Errorf("the file system stays: %v", err)
		}
		server.Wait()
		back()
	})
	return dir
}

// mountClosedOnExec keeps the connection to the kernel out of the programs that a
// test starts: one of them would keep it open after the server died, and every
// access to the card would wait for ever. Another test may start one right now, so
// nobody does before the connection is marked.
func mountClosedOnExec(dir string, root fs.InodeEmbedder, opts *fs.Options) (*fuse.Server, error) {
	syscall.ForkLock.RLock()
	defer syscall.ForkLock.RUnlock()
	server, err := fs.Mount(dir, root, opts)
	if err != nil {
		return nil, err
	}
	open, err := os.ReadDir("/proc/self/fd")
	if err != nil {
		return nil, err
	}
	for _, f := range open {
		if to, err := os.Readlink("/proc/self/fd/" + f.Name()); err != nil || to != "/dev/fuse" {
			continue // closed since, perhaps
		}
		fd, err := strconv.Atoi(f.Name())
		if err != nil {
			return nil, err
		}
		syscall.CloseOnExec(fd)
	}
	return server, nil
}

type folder struct {
	fs.Inode
	card *Card
}

var _ fs.NodeOnAdder = (*folder)(nil)

// OnAdd implements fs.NodeOnAdder.
func (f *folder) OnAdd(ctx context.Context) {
	f.AddChild("card", f.NewPersistentInode(ctx, &served{card: f.card}, fs.StableAttr{Mode: syscall.S_IFREG}), false)
}

// served is the card as a file.
type served struct {
	fs.Inode
	card *Card
}

var (
	_ fs.NodeGetattrer = (*served)(nil)
	_ fs.NodeSetattrer = (*served)(nil)
	_ fs.NodeOpener    = (*served)(nil)
	_ fs.NodeReader    = (*served)(nil)
	_ fs.NodeWriter    = (*served)(nil)
	_ fs.NodeFsyncer   = (*served)(nil)
)

// Getattr implements fs.NodeGetattrer.
func (s *served) Getattr(_ context.Context, _ fs.FileHandle, out *fuse.AttrOut) syscall.Errno {
	out.Size, out.Mode = uint64(s.card.Size()), syscall.S_IFREG|0o600
	return 0
}

// Setattr implements fs.NodeSetattrer: nothing changes.
func (s *served) Setattr(ctx context.Context, f fs.FileHandle, _ *fuse.SetAttrIn, out *fuse.AttrOut) syscall.Errno {
	return s.Getattr(ctx, f, out)
}

// Open implements fs.NodeOpener: every access reaches the card.
func (s *served) Open(context.Context, uint32) (fs.FileHandle, uint32, syscall.Errno) {
	return nil, fuse.FOPEN_DIRECT_IO, 0
}

// Read implements fs.NodeReader.
func (s *served) Read(_ context.Context, _ fs.FileHandle, dest []byte, off int64) (fuse.ReadResult, syscall.Errno) {
	n, err := s.card.ReadAt(dest, off)
	if n < len(dest) && err != nil {
		return nil, syscall.EIO
	}
	return fuse.ReadResultData(dest), 0
}

// Write implements fs.NodeWriter.
func (s *served) Write(_ context.Context, _ fs.FileHandle, data []byte, off int64) (uint32, syscall.Errno) {
	n, err := s.card.WriteAt(data, off)
	if err != nil {
		return uint32(n), syscall.EIO
	}
	return uint32(n), 0
}

// Fsync implements fs.NodeFsyncer.
func (s *served) Fsync(context.Context, fs.FileHandle, uint32) syscall.Errno {
	if s.card.Flush() != nil {
		return syscall.EIO
	}
	return 0
}
