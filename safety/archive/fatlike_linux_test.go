package archive

import (
	"context"
	"os"
	"path/filepath"
	"syscall"
	"testing"

	"github.com/hanwen/go-fuse/v2/fs"
	"github.com/hanwen/go-fuse/v2/fuse"

	"bootgraft/safety/faultdev"
)

// fatNode is a file or folder of a file system with the limits of FAT: a length of 32 bits
// (Microsoft FAT specification 1.03, DIR_FileSize), no holes (the same, "FAT Data
// Structure": every cluster up to the length is in the chain), no owners and no rights, no
// links. That a rename which never replaces is not known either is said by rename(2).
type fatNode struct {
	fs.LoopbackNode
	room int64 // of the whole file system, in bytes
}

const fatMost = 1<<32 - 1 // bytes of a file

// fatLike mounts such a file system until the test ends.
func fatLike(t *testing.T, room int64) (folder string) {
	t.Helper()
	below := t.TempDir()
	root, err := fs.NewLoopbackRoot(below)
	if err != nil {
		t.Fatal(err)
	}
	data := root.(*fs.LoopbackNode).RootData
	top := &fatNode{fs.LoopbackNode{RootData: data}, room}
	data.RootNode = top
	return faultdev.Mount(t, top)
}

func (n *fatNode) WrapChild(_ context.Context, ops fs.InodeEmbedder) fs.InodeEmbedder {
	return &fatNode{fs.LoopbackNode{RootData: ops.(*fs.LoopbackNode).RootData}, n.room}
}

// stored makes a length what is stored of it: all.
func stored(a *fuse.Attr) { a.Blocks = (a.Size + 511) / 512 }

func (n *fatNode) Lookup(ctx context.Context, name string, out *fuse.EntryOut) (*fs.Inode, syscall.Errno) {
	child, errno := n.LoopbackNode.Lookup(ctx, name, out)
	stored(&out.Attr)
	return child, errno
}

func (n *fatNode) Getattr(ctx context.Context, f fs.FileHandle, out *fuse.AttrOut) syscall.Errno {
	errno := n.LoopbackNode.Getattr(ctx, f, out)
	stored(&out.Attr)
	return errno
}

func (n *fatNode) Setattr(ctx context.Context, f fs.FileHandle, in *fuse.SetAttrIn, out *fuse.AttrOut) syscall.Errno {
	if in.Valid&(fuse.FATTR_MODE|fuse.FATTR_UID|fuse.FATTR_GID) != 0 {
		return syscall.EPERM
	}
	if size, ok := in.GetSize(); ok && size > fatMost {
		return syscall.EFBIG
	}
	errno := n.LoopbackNode.Setattr(ctx, f, in, out)
	stored(&out.Attr)
	return errno
}

// fatFile is an open file whose writes come to Write: the kernel must not write past it.
type fatFile struct{ *fs.LoopbackFile }

func (fatFile) PassthroughFd() (int, bool) { return 0, false }

func (n *fatNode) Open(ctx context.Context, flags uint32) (fs.FileHandle, uint32, syscall.Errno) {
	f, how, errno := n.LoopbackNode.Open(ctx, flags)
	if errno != 0 {
		return nil, 0, errno
	}
	return fatFile{f.(*fs.LoopbackFile)}, how, 0
}

func (n *fatNode) Create(ctx context.Context, name string, flags, mode uint32, out *fuse.EntryOut) (*fs.Inode, fs.FileHandle,
	uint32, syscall.Errno) {
	child, f, how, errno := n.LoopbackNode.Create(ctx, name, flags, mode, out)
	if errno != 0 {
		return nil, nil, 0, errno
	}
	stored(&out.Attr)
	return child, fatFile{f.(*fs.LoopbackFile)}, how, 0
}

// Write implements fs.NodeWriter.
func (n *fatNode) Write(ctx context.Context, f fs.FileHandle, b []byte, off int64) (uint32, syscall.Errno) {
	if off+int64(len(b)) > fatMost {
		return 0, syscall.EFBIG
	}
	return f.(fs.FileWriter).Write(ctx, b, off)
}

func (n *fatNode) Rename(ctx context.Context, name string, to fs.InodeEmbedder, newName string, flags uint32) syscall.Errno {
	if flags != 0 {
		return syscall.EINVAL
	}
	return n.LoopbackNode.Rename(ctx, name, to, newName, flags)
}

func (n *fatNode) Link(context.Context, fs.InodeEmbedder, string, *fuse.EntryOut) (*fs.Inode, syscall.Errno) {
	return nil, syscall.EPERM
}

func (n *fatNode) Symlink(context.Context, string, string, *fuse.EntryOut) (*fs.Inode, syscall.Errno) {
	return nil, syscall.EPERM
}

func (n *fatNode) Statfs(_ context.Context, out *fuse.StatfsOut) syscall.Errno {
	left := n.room
	err := filepath.WalkDir(n.RootData.Path, func(_ string, d os.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		st, err := d.Info()
		if err == nil {
			left -= st.Size()
		}
		return err
	})
	if err != nil {
		return fs.ToErrno(err)
	}
	const unit = 512
	out.Bsize, out.Frsize, out.NameLen = unit, unit, 255
	out.Blocks, out.Bfree, out.Bavail = uint64(n.room/unit), uint64(max(0, left)/unit), uint64(max(0, left)/unit)
	return 0
}

// TestFATLikeHasTheLimits: what stands for FAT is as strict as it says.
func TestFATLikeHasTheLimits(t *testing.T) {
	t.Parallel()
	folder := fatLike(t, 1<<20)
	name := filepath.Join(folder, "a")
	f, err := os.Create(name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	for what, got := range map[string]error{
		"4 GiB":        f.Truncate(fatMost + 1),
		"rights":       os.Chmod(name, 0o600),
		"an owner":     os.Chown(name, 1, 1),
		"a link":       os.Link(name, name+"2"),
		"a soft link":  os.Symlink("a", name+"3"),
		"byte of 4 GB": func() error { _, err := f.WriteAt([]byte{1}, fatMost); return err }(),
	} {
		if got == nil {
			t.Errorf("it takes %s", what)
		}
	}
	if err := f.Truncate(4096); err != nil {
		t.Fatal(err)
	}
	var st syscall.Stat_t
	if err := syscall.Stat(name, &st); err != nil || st.Blocks != 8 {
		t.Errorf("a hole of 4,096 bytes takes %d blocks (%v)", st.Blocks, err)
	}
}
