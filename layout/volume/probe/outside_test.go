package probe

import (
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/image/imagetest/need"
)

// made is a volume that a tool makes in a file of the given size; size 0 lets
// the tool say how long the file becomes. In args FILE and FOLDER stand for
// the file and a folder with a little content.
var made = []struct {
	name string
	size int64
	tool string
	args []string
	id   bool // blkid takes its UUID from the same bytes as we
}{
	{"exfat", 8 << 20, "mkfs.exfat", []string{"-L", "Überall", "FILE"}, true},
	{"exfat, large clusters", 64 << 20, "mkfs.exfat", []string{"-c", "128K", "FILE"}, true},
	{"ntfs", 8 << 20, "mkntfs", []string{"-F", "-q", "-L", "Töne 1", "FILE"}, true},
	{"ntfs, sectors of 4096 bytes", 16 << 20, "mkntfs", []string{"-F", "-q", "-s", "4096", "-L", "LONG", "FILE"}, true},
	{"ntfs, clusters of 512 bytes", 8 << 20, "mkntfs", []string{"-F", "-q", "-c", "512", "FILE"}, true},
	{"hfs", 8 << 20, "hformat", []string{"-l", "Songs", "FILE"}, true},
	{"hfs, 600 MiB", 600 << 20, "hformat", []string{"-l", "Many Songs", "FILE"}, true},
	{"iso9660", 0, "genisoimage", []string{"-quiet", "-V", "DISC ONE", "-o", "FILE", "FOLDER"}, true},
	{"squashfs", 0, "mksquashfs", []string{"FOLDER", "FILE", "-quiet", "-noappend"}, true},
	{"squashfs, small blocks", 0, "mksquashfs", []string{"FOLDER", "FILE", "-quiet", "-noappend", "-b", "4096"}, true},
	{"swap", 1 << 20, "mkswap", []string{"-q", "-L", "SWAPPY", "FILE"}, true},
	{"swap, pages of 64 KiB", 4 << 20, "mkswap", []string{"-q", "-p", "65536", "FILE"}, true},
}

// Every tool's own volume is recognised, and blkid of util-linux gives the
// same kind, name and identifier. The volume fills the file that it was given.
func TestOutsideReaderAgrees(t *testing.T) {
	for _, c := range made {
		t.Run(c.name, func(t *testing.T) {
			file := blank(t, c.size)
			folder := t.TempDir()
			if err := os.WriteFile(filepath.Join(folder, "song"), make([]byte, 10000), 0o600); err != nil {
				t.Fatal(err)
			}
			args := append([]string(nil), c.args...)
			for i, a := range args {
				switch a {
				case "FILE":
					args[i] = file
				case "FOLDER":
					args[i] = folder
				}
			}
			cmd := exec.Command(need.Tool(t, c.tool), args...)
			cmd.Env = append(os.Environ(), "HOME="+t.TempDir(), "LC_ALL=C.UTF-8")
			if out, err := cmd.CombinedOutput(); err != nil {
				t.Fatalf("%s: %v\n%s", c.tool, err, out)
			}
			src := image512(t, file)
			v, findings := recognise(t, src, image.Whole(src))
			if len(findings) != 0 {
				t.Errorf("findings %v", findings)
			}
			theirs := imagetest.Blkid(t, file)
			if theirs["TYPE"] != v.Kind || theirs["LABEL"] != v.Label || theirs["UUID"] != v.ID {
				t.Errorf("blkid says %v, we say %+v", theirs, v)
			}
			// Less than one unit may be left over at the end.
			left := image.Sectors(src) - v.Count
			if unit := disk.Sector(v.ClusterBytes / 512); left < 0 || (c.size > 0 && left >= unit) {
				t.Errorf("%d sectors in a file of %d", v.Count, image.Sectors(src))
			}
		})
	}
}

// A disc for two systems, as genisoimage makes them, is recognised by both of
// its halves.
func TestDiscForTwoSystems(t *testing.T) {
	file, folder := blank(t, 0), t.TempDir()
	if out, err := exec.Command(need.Tool(t, "genisoimage"), "-quiet", "-hfs", "-V", "BOTH", "-o", file, folder).CombinedOutput(); err != nil {
		t.Fatalf("genisoimage: %v\n%s", err, out)
	}
	src := image512(t, file)
	v, findings := recognise(t, src, image.Whole(src))
	if v.Kind != "iso9660" || v.Label != "BOTH" || len(findings) != 1 || findings[0].Code != "volume-ambiguous" {
		t.Errorf("got %+v, %v", v, findings)
	}
}

// FAT and ext have packages of their own: what their makers write is none of
// the formats here, and no error either.
func TestOthersAreAbsent(t *testing.T) {
	for _, c := range []struct {
		size int64
		tool string
		args []string
	}{
		{1 << 20, "mkfs.fat", []string{"-F", "12"}},
		{16 << 20, "mkfs.fat", []string{"-F", "16"}},
		{64 << 20, "mkfs.fat", []string{"-F", "32", "-s", "1"}},
		{4 << 20, "mke2fs", []string{"-q", "-F", "-t", "ext4"}},
	} {
		file := blank(t, c.size)
		if out, err := exec.Command(need.Tool(t, c.tool), append(c.args, file)...).CombinedOutput(); err != nil {
			t.Fatalf("%s: %v\n%s", c.tool, err, out)
		}
		src := image512(t, file)
		if v, f, err := Recognise(src, image.Whole(src)); v != nil || f != nil || err != nil {
			t.Errorf("%s %v: %+v, %v, %v", c.tool, c.args, v, f, err)
		}
	}
}
