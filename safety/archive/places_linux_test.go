package archive

import (
	"context"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"bootgraft/image/imagetest/need"
	"bootgraft/safety/newfile"
)

// formatted mounts a new file system of so many bytes.
func formatted(t *testing.T, bytes int64, tool string, args ...string) string {
	t.Helper()
	need.Root(t)
	mkfs := need.Tool(t, tool)
	file, folder := filepath.Join(t.TempDir(), "fs.raw"), t.TempDir()
	ofSize(t, file, bytes)
	if out, err := exec.Command(mkfs, append(args, file)...).CombinedOutput(); err != nil {
		t.Fatalf("%s: %v: %s", tool, err, out)
	}
	need.Mount(t, need.Loop(t, file), folder)
	return folder
}

// nothing tells that a folder holds nothing of ours.
func nothing(t *testing.T, folder string) {
	t.Helper()
	entries, err := os.ReadDir(folder)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		if e.Name() != "lost+found" {
			t.Errorf("%s stays in %s", e.Name(), folder)
		}
	}
}

// TestArchiveOnFAT: FAT stores holes, takes no file of 4 GiB, keeps no rights, and has no
// rename that never replaces on older kernels. The real one is made by mkfs.fat and mounted
// by the kernel, where that has it; one with these limits, in user space, is everywhere.
func TestArchiveOnFAT(t *testing.T) {
	t.Parallel()
	t.Run("limits", func(t *testing.T) {
		t.Parallel()
		onFAT(t, fatLike(t, 24<<20))
	})
	t.Run("kernel", func(t *testing.T) {
		t.Parallel()
		// mount(2): ENODEV, "filesystemtype not configured in the kernel".
		if err := syscall.Mount("none", t.TempDir(), "vfat", 0, ""); errors.Is(err, syscall.ENODEV) {
			t.Skip("skipped: this kernel has no FAT; the limits of it were tried all the same")
		}
		onFAT(t, formatted(t, 24<<20, "mkfs.fat", "-F", "16", "-s", "4"))
	})
}

// onFAT makes an archive in a folder with the limits of FAT and 24 MiB of room, and is told
// of two that it cannot hold.
func onFAT(t *testing.T, folder string) {
	t.Helper()
	job := small(t, filepath.Join(folder, "a"))
	if _, err := Make(context.Background(), job); err != nil {
		t.Fatal(err)
	}
	whole(t, job.Dir)
	if err := os.RemoveAll(job.Dir); err != nil {
		t.Fatal(err)
	}

	sparse := filepath.Join(t.TempDir(), "large.img")
	for size, want := range map[int64]string{4 << 30: "4,294,967,296 bytes", 1 << 30: "stores holes too"} {
		ofSize(t, sparse, size)
		job.Items[0].Path = sparse
		_, err := Make(context.Background(), job)
		var place *PlaceError
		if !errors.As(err, &place) || !strings.Contains(place.Why, want) {
			t.Errorf("%d bytes: %v", size, err)
		}
		nothing(t, folder)
	}
}

// ofSize makes a file of so many bytes of which none is stored.
func ofSize(t *testing.T, path string, size int64) {
	t.Helper()
	f, err := os.Create(path)
	if err == nil {
		err = errors.Join(f.Truncate(size), f.Close())
	}
	if err != nil {
		t.Fatal(err)
	}
}

// TestArchiveOnADiskWithALimit: ext2 with blocks of 1 KiB holds no file of 17 GiB (its
// largest is 16 GiB, ext2 documentation of the kernel), whatever room there is.
func TestArchiveOnADiskWithALimit(t *testing.T) {
	t.Parallel()
	folder := formatted(t, 8<<20, "mke2fs", "-q", "-t", "ext2", "-F", "-b", "1024")
	job := small(t, filepath.Join(folder, "a"))
	job.Items[0].Path = filepath.Join(t.TempDir(), "large.img")
	ofSize(t, job.Items[0].Path, 17<<30)
	_, err := Make(context.Background(), job)
	var place *PlaceError
	if !errors.As(err, &place) || !strings.Contains(place.Why, "18,253,611,008 bytes") {
		t.Errorf("%v", err)
	}
	nothing(t, folder)
}

// TestArchiveOnAFullDisk: too little room is told before anything is made, and a disk
// that fills up in the middle keeps nothing of it.
func TestArchiveOnAFullDisk(t *testing.T) {
	t.Parallel()
	folder := formatted(t, 12<<20, "mke2fs", "-q", "-t", "ext4", "-F", "-m", "0")
	fillUp := func(leave int64) {
		free, _ := newfile.OS{}.Room(folder)
		if err := os.WriteFile(filepath.Join(folder, "lost+found", "fill"), make([]byte, max(0, free-leave)), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	job := small(t, filepath.Join(folder, "a"))
	fillUp(2 << 20)
	var place *PlaceError
	if _, err := Make(context.Background(), job); !errors.As(err, &place) || !strings.Contains(place.Why, "needs") {
		t.Errorf("%v", err)
	}
	nothing(t, folder)
	if err := os.Remove(filepath.Join(folder, "lost+found", "fill")); err != nil {
		t.Fatal(err)
	}
	full := false
	job.Progress = func(int64, int64) {
		if !full {
			full = true
			fillUp(256 << 10)
		}
	}
	if _, err := Make(context.Background(), job); err == nil || !full {
		t.Errorf("%v", err)
	}
	nothing(t, folder)
}

// TestArchiveOnAReadOnlyDisk is told before anything is read.
func TestArchiveOnAReadOnlyDisk(t *testing.T) {
	t.Parallel()
	folder := formatted(t, 2<<20, "mke2fs", "-q", "-t", "ext2", "-F")
	if out, err := exec.Command("mount", "-o", "remount,ro", folder).CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	job := small(t, filepath.Join(folder, "a"))
	job.Progress = func(int64, int64) { t.Error("work was begun") }
	if _, err := Make(context.Background(), job); err == nil || !strings.Contains(err.Error(), "read-only") {
		t.Errorf("%v", err)
	}
	nothing(t, folder)
}
