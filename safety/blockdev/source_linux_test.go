package blockdev_test

import (
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"bootgraft/image"
	"bootgraft/image/capture/rig"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest/need"
	"bootgraft/safety/blockdev"
)

func TestOpenSourceAsksTheKernel(t *testing.T) {
	path, content := drive(t)
	r := rig.Start(t, path, rig.Faults{Bad: []disk.Span{{Start: 1000, Count: 1}}})
	src, err := blockdev.OpenSource(r.Device)
	if err != nil {
		t.Fatal(err)
	}
	defer src.Close()
	if src.Size() != int64(len(content)) || src.SectorSize() != 512 || src.Identity().Bus != "loop" {
		t.Errorf("%d bytes in sectors of %d, %+v", src.Size(), src.SectorSize(), src.Identity())
	}
	// Any offset and length, and one sector beside a bad one.
	got := make([]byte, 1337)
	if _, err := src.ReadAt(got, 511); err != nil || string(got) != string(content[511:511+1337]) {
		t.Errorf("an unaligned read: %v", err)
	}
	for _, x := range []int64{999, 1001} {
		if err := image.ReadFull(src, got[:512], x*512); err != nil {
			t.Errorf("sector %d: %v", x, err)
		}
	}
	_, err = src.ReadAt(got[:512], 1000*512)
	if image.FaultOf(err) != image.BadSector {
		t.Errorf("the bad sector: %v", err)
	}
	if _, err := src.ReadAt(got[:512], src.Size()); err == nil {
		t.Error("a read behind the end gives data")
	}
	// Held exclusively: a second one is refused.
	var busy *blockdev.BusyError
	if _, err := blockdev.OpenSource(r.Device); !errors.As(err, &busy) {
		t.Errorf("opened twice: %v", err)
	}
}

func TestOpenSourceRefusesWhatIsNoDevice(t *testing.T) {
	file := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(file, make([]byte, 512), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, path := range []string{file, filepath.Dir(file), "/dev/null"} {
		var nd *blockdev.NotDeviceError
		if _, err := blockdev.OpenSource(path); !errors.As(err, &nd) {
			t.Errorf("%s: %v", path, err)
		}
	}
}

func TestOpenSourceRefusesAMountedDevice(t *testing.T) {
	need.Root(t)
	dir := t.TempDir()
	file, mount := filepath.Join(dir, "fs"), filepath.Join(dir, "a folder")
	run := func(name string, args ...string) string {
		t.Helper()
		out, err := exec.Command(need.Tool(t, name), args...).CombinedOutput()
		if err != nil {
			t.Fatalf("%s %v: %v: %s", name, args, err, out)
		}
		return strings.TrimSpace(string(out))
	}
	if err := os.WriteFile(file, make([]byte, 4<<20), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Mkdir(mount, 0o700); err != nil {
		t.Fatal(err)
	}
	run("mke2fs", "-q", "-F", file)
	loop := need.Loop(t, file)
	need.Mount(t, loop, mount, "-t", "ext2")
	_, err := blockdev.OpenSource(loop)
	var busy *blockdev.BusyError
	if !errors.As(err, &busy) || !strings.Contains(err.Error(), "umount '"+mount+"'") {
		t.Errorf("%v", err)
	}
}

// An image that lies on the old drive, by another of its partitions or through
// a device laid over it, would be written to the drive itself.
func TestCarries(t *testing.T) {
	need.Root(t)
	dir := t.TempDir()
	run := func(name string, args ...string) string {
		t.Helper()
		out, err := exec.Command(need.Tool(t, name), args...).CombinedOutput()
		if err != nil {
			t.Fatalf("%s %v: %v: %s", name, args, err, out)
		}
		return strings.TrimSpace(string(out))
	}
	file, mount := filepath.Join(dir, "drive"), filepath.Join(dir, "m")
	if err := os.WriteFile(file, make([]byte, 4<<20), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Mkdir(mount, 0o700); err != nil {
		t.Fatal(err)
	}
	run("mke2fs", "-q", "-F", file)
	drive := need.Loop(t, file)
	over := need.Loop(t, drive)
	src, err := blockdev.OpenSource(drive)
	if err != nil {
		t.Fatal(err)
	}
	defer src.Close()
	need.Mount(t, over, mount, "-t", "ext2")
	var busy *blockdev.BusyError
	if _, err := blockdev.OpenSource(drive); !errors.As(err, &busy) {
		t.Errorf("a drive that is mounted through a loop device is read: %v", err)
	}
	for path, want := range map[string]bool{mount: true, drive: true, over: true, dir: false} {
		if got, err := src.Carries(path); err != nil || got != want {
			t.Errorf("%s: %v %v, want %v", path, got, err, want)
		}
	}
}
