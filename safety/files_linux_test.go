package safety

import (
	"bytes"
	"context"
	"errors"
	"io"
	"os"
	"path/filepath"
	"syscall"
	"testing"

	"github.com/hanwen/go-fuse/v2/fs"
	"github.com/hanwen/go-fuse/v2/fuse"

	"bootgraft/image/disk"
	"bootgraft/image/imagetest/need"
	"bootgraft/safety/faultdev"
)

// A small file system of a kind on a real loop device: the kernel's own FAT has
// no hard links and no owners, and a full ext4 is full. A kernel may do without
// FAT; that is not required of it, for what FAT lacks is lacking in
// TestAFileSystemWithoutLinks too, on any kernel.
func TestRealFileSystems(t *testing.T) {
	for kind, format := range map[string][]string{"vfat": {"mkfs.vfat", "-F", "16"}, "ext4": {"mkfs.ext4", "-q", "-F"}} {
		t.Run(kind, func(t *testing.T) {
			b := newBench(t)
			// mount(2): ENODEV, "filesystemtype not configured in the kernel".
			if err := syscall.Mount("none", t.TempDir(), kind, 0, ""); errors.Is(err, syscall.ENODEV) && kind == "vfat" {
				t.Skip("skipped: this kernel has no FAT")
			}
			node := b.loop(b.file("disk." + kind))
			b.tool(format[0], append(format[1:], node)...)
			writesAndFills(t, b.mount(node))
		})
	}
}

// A file system that knows neither hard links, nor to exchange two names, nor to
// give one only if it is free, as FAT (link(2): EPERM; renameat2(2): EINVAL); and
// that is full soon. It is served by FUSE over a tmpfs.
func TestAFileSystemWithoutLinks(t *testing.T) {
	b := newBench(t)
	below := &fs.LoopbackRoot{Path: b.mount("none", "-t", "tmpfs", "-o", "size=8m")}
	root := &plainNode{&fs.LoopbackNode{RootData: below}}
	below.RootNode = root
	dir := faultdev.Mount(t, root)
	put(t, dir+"/a", nil)
	if err := os.Link(dir+"/a", dir+"/b"); !errors.Is(err, syscall.EPERM) {
		t.Fatalf("it has hard links: %v", err)
	}
	do(t, os.Remove(dir+"/a"))
	writesAndFills(t, dir)
}

type plainNode struct{ *fs.LoopbackNode }

// WrapChild implements fs.NodeWrapChilder.
func (*plainNode) WrapChild(_ context.Context, ops fs.InodeEmbedder) fs.InodeEmbedder {
	return &plainNode{ops.(*fs.LoopbackNode)}
}

// Link implements fs.NodeLinker.
func (*plainNode) Link(context.Context, fs.InodeEmbedder, string, *fuse.EntryOut) (*fs.Inode, syscall.Errno) {
	return nil, syscall.EPERM
}

// Rename implements fs.NodeRenamer.
func (n *plainNode) Rename(ctx context.Context, name string, parent fs.InodeEmbedder, to string, flags uint32) syscall.Errno {
	if flags != 0 {
		return syscall.EINVAL
	}
	return n.LoopbackNode.Rename(ctx, name, parent, to, flags)
}

// writesAndFills makes a file in a folder, is refused where its name is taken,
// replaces it, and fails to replace it by more than there is room for.
func writesAndFills(t *testing.T, dir string) {
	t.Helper()
	path := filepath.Join(dir, "card.plan")
	write := func(text []byte, replace bool) error {
		return Output{Path: path, Kind: PlanFile, Replace: replace}.Write(func(w io.Writer) error {
			_, err := w.Write(text)
			return err
		})
	}
	plan := []byte("{\n\"schema\": 1,\n\"target\": {\"sectors\":1")
	do(t, write(plan, false))
	holds(t, path, plan)
	var r *Refusal
	if err := write(plan, false); !errors.As(err, &r) || r.Code != disk.TargetExists {
		t.Errorf("a name that is taken: %v", err)
	}
	do(t, write(append(plan, '2'), true))
	if err := write(make([]byte, 64<<20), true); !errors.Is(err, syscall.ENOSPC) {
		t.Errorf("a full disk: %v", err)
	}
	holds(t, path, append(plan, '2'))
	if _, err := os.Lstat(path + unfinished); !os.IsNotExist(err) {
		t.Errorf("the unfinished file: %v", err)
	}
}

// A folder that cannot be written is left as it is, and the error says so.
func TestReadOnlyFolder(t *testing.T) {
	need.Root(t)
	b := newBench(t)
	dir := b.mount("none", "-t", "tmpfs")
	b.tool("mount", "-o", "remount,ro", dir)
	err := Output{Path: filepath.Join(dir, "p"), Kind: PlanFile}.Write(func(io.Writer) error { return nil })
	if !errors.Is(err, syscall.EROFS) {
		t.Errorf("got %v", err)
	}
}

// Two runs that write one file: the second is refused, with or without
// --replace, and the first is not disturbed.
func TestTwoWritersOfOneFile(t *testing.T) {
	path := filepath.Join(t.TempDir(), "p")
	first := Output{Path: path, Kind: PlanFile}
	err := first.Write(func(w io.Writer) error {
		for _, replace := range []bool{false, true} {
			var r *Refusal
			err := Output{Path: path, Kind: PlanFile, Replace: replace}.Write(func(io.Writer) error { return nil })
			if !errors.As(err, &r) || r.Code != disk.UnfinishedInUse {
				t.Errorf("the second run: %v", err)
			}
		}
		_, err := io.Copy(w, bytes.NewReader([]byte("first")))
		return err
	})
	do(t, err)
	holds(t, path, []byte("first"))
	only(t, filepath.Dir(path), "p")
}
