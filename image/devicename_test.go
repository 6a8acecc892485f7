package image

import (
	"io/fs"
	"testing"
)

// The forms are those of "Naming Files, Paths, and Namespaces" of the documentation of
// Windows, and of hdiutil(1) and diskutil(8) of macOS, from memory.
func TestNamesOfDisks(t *testing.T) {
	for path, want := range map[string]string{
		`\\.\PhysicalDrive0`:  BlockDevice,
		`\\.\physicaldrive12`: BlockDevice,
		`\\?\PhysicalDrive3`:  BlockDevice,
		`//./PhysicalDrive3`:  BlockDevice,
		`E:`:                  PartOfDisk,
		`e:\`:                 PartOfDisk,
		`E:/`:                 PartOfDisk,
		`\\.\E:`:              PartOfDisk,
		`\\.\HarddiskVolume4`: PartOfDisk,
		`\\?\Volume{00000000-0000-0000-0000-000000000043}\`: PartOfDisk,
		`\\?\GLOBALROOT\Device\Harddisk1\Partition1`:        PartOfDisk,
		`CON`:                        reserved,
		`aux.wav`:                    reserved,
		`E:\take\Lpt1.tar.gz`:        reserved,
		`E:/take/nul`:                reserved,
		`COM²`:                       reserved,
		`COM0`:                       "",
		`console.img`:                "",
		`aux\old.img`:                "",
		`my.aux`:                     "",
		`E:old.img`:                  "",
		`E:\old.img`:                 "",
		`PhysicalDrive0`:             "",
		`\\server\share\old.img`:     "",
		`\\?\E:\a long name\old.img`: "",
		`\\.\PhysicalDrive`:          "",
		`\\.\PhysicalDrive99999`:     "",
	} {
		if got := nameKindOn("windows", path); got != want {
			t.Errorf("Windows, %s: %q, want %q", path, got, want)
		}
		if got := nameKindOn("linux", path); got != "" {
			t.Errorf("elsewhere %s is a file like any other, not %q", path, got)
		}
	}
	block, char := fs.ModeDevice, fs.ModeDevice|fs.ModeCharDevice
	for _, c := range []struct {
		path string
		mode fs.FileMode
		want string
	}{
		{"/dev/disk2", block, BlockDevice},
		{"/dev/rdisk2", char, BlockDevice},
		{"/dev/disk2s1", block, PartOfDisk},
		{"/dev/rdisk3s1s1", char, PartOfDisk},
		{"/dev/null", char, "a character device"},
		{"/dev/rdisk2", 0, "a file"},
	} {
		if got := deviceKind("darwin", c.path, c.mode); got != c.want {
			t.Errorf("macOS, %s: %q, want %q", c.path, got, c.want)
		}
	}
	if got := deviceKind("linux", "/dev/rdisk2", char); got != "a character device" {
		t.Errorf("Linux, /dev/rdisk2: %q", got)
	}
}
