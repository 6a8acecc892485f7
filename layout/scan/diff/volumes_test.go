package diff_test

import (
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/image/imagetest/need"
	"bootgraft/layout/scan/diff"
)

// volume is a FAT volume that general tools work on: mkfs.fat of dosfstools and
// mtools.
type volume struct {
	t    *testing.T
	path string
}

func (v volume) run(name string, args ...string) {
	v.t.Helper()
	c := exec.Command(need.Tool(v.t, name), args...)
	c.Env = append(os.Environ(), "MTOOLS_SKIP_CHECK=1")
	if out, err := c.CombinedOutput(); err != nil {
		v.t.Fatalf("%s %q: %v\n%s", name, args, err, out)
	}
}

func (v volume) format(kind, serial string, more ...string) {
	v.run("mkfs.fat", append(append([]string{"-F", kind, "-i", serial}, more...), v.path)...)
}

func (v volume) folder(name string) { v.run("mmd", "-i", v.path, "::"+name) }

func (v volume) file(name string, size int) {
	from := filepath.Join(v.t.TempDir(), "file")
	if err := os.WriteFile(from, imagetest.Telling(byte(len(name)), size/512), 0o644); err != nil {
		v.t.Fatal(err)
	}
	v.run("mcopy", "-i", v.path, from, "::"+name)
}

func (v volume) poke(at int64, change func(c byte) byte) {
	b, err := os.ReadFile(v.path)
	if err != nil {
		v.t.Fatal(err)
	}
	b[at] = change(b[at])
	if err := os.WriteFile(v.path, b, 0o644); err != nil {
		v.t.Fatal(err)
	}
}

func (v volume) disk() *imagetest.Disk {
	b, err := os.ReadFile(v.path)
	if err != nil {
		v.t.Fatal(err)
	}
	return imagetest.NewBytes(b, 512)
}

// dirty is where the state flag is: Microsoft FAT: General Overview of On-Disk
// Format v1.03 calls these bytes reserved; the flag is common practice, no source.
var dirty = map[string]int64{"12": 0x25, "16": 0x25, "32": 0x41}

// volumeWorks are what devices and computers do to a volume. The names are those
// that desktops give: common practice, no source.
var volumeWorks = []struct {
	name string
	do   func(v volume, kind string)
	want []string
}{
	{"nothing", func(volume, string) {}, nil},
	{"a device records", func(v volume, _ string) { v.folder("SESSION2"); v.file("SESSION2/TAKE01.WAV", 30_000) }, []string{"files"}},
	{"a device deletes everything", func(v volume, _ string) {
		v.run("mdeltree", "-i", v.path, "::SONGS")
		v.run("mdel", "-i", v.path, "::A.WAV")
	}, []string{"files"}},
	{"the state flag is set", func(v volume, kind string) { v.poke(dirty[kind], func(c byte) byte { return c ^ 1 }) }, []string{"mounted"}},
	{"a desktop looks for a place of its own", func(v volume, _ string) {
		v.folder("System Volume Information")
		v.file("System Volume Information/IndexerVolumeGuid", 512)
		v.file("System Volume Information/WPSettings.dat", 1024)
	}, []string{"desktop"}},
	{"another desktop", func(v volume, _ string) {
		v.folder(".Trashes")
		v.folder(".fseventsd")
		v.file(".fseventsd/fseventsd-uuid", 512)
		v.file("._.Trashes", 4096)
		v.file(".DS_Store", 6144)
	}, []string{"desktop"}},
	{"a desktop and a device", func(v volume, _ string) {
		v.folder("System Volume Information")
		v.file("TAKE07.WAV", 9000)
	}, []string{"desktop", "files"}},
	{"a desktop, and a device that writes into a file", func(v volume, _ string) {
		v.folder(".Trash-1000")
		b, err := os.ReadFile(v.path)
		if err != nil {
			v.t.Fatal(err)
		}
		v.poke(int64(strings.Index(string(b), string(imagetest.Telling(5, 39)[600:700]))), func(c byte) byte { return c + 1 })
	}, []string{"content", "desktop"}},
	{"the card loses a bit of a file", func(v volume, _ string) {
		b, err := os.ReadFile(v.path)
		if err != nil {
			v.t.Fatal(err)
		}
		v.poke(int64(strings.Index(string(b), string(imagetest.Telling(5, 39)[600:700]))), func(c byte) byte { return c ^ 4 })
	}, []string{"content"}},
	{"the card loses a bit that no file uses", func(v volume, _ string) {
		st, err := os.Stat(v.path)
		if err != nil {
			v.t.Fatal(err)
		}
		v.poke(st.Size()/4*3, func(c byte) byte { return c ^ 4 })
	}, []string{"content"}},
	{"a format", func(v volume, kind string) { v.format(kind, "12345678") }, []string{"new-format", "new-volume"}},
	{"a format with the old serial number", func(v volume, kind string) { v.format(kind, "0badcafe") }, []string{"new-format", "new-volume"}},
	{"a format with other clusters", func(v volume, kind string) { v.format(kind, "0badcafe", "-f", "1") }, []string{"new-format", "new-volume"}},
	{"a format, then a desktop", func(v volume, kind string) {
		v.format(kind, "00000001")
		v.folder("System Volume Information")
	}, []string{"desktop", "new-format", "new-volume"}},
}

// TestVolumeVerdicts: what general tools did to a volume is what is said of it.
func TestVolumeVerdicts(t *testing.T) {
	for kind, kib := range map[string]string{"12": "2000", "16": "9000", "32": "34000"} {
		for _, w := range volumeWorks {
			t.Run("FAT"+kind+" "+w.name, func(t *testing.T) {
				t.Parallel()
				v := volume{t, filepath.Join(t.TempDir(), "volume")}
				v.run("mkfs.fat", "-C", "-F", kind, "-s", "1", "-i", "0badcafe", v.path, kib)
				v.folder("SONGS")
				v.file("SONGS/ONE.WAV", 20_000)
				v.file("A.WAV", 20_000)
				before := v.disk()
				w.do(v, kind)
				after := v.disk()
				r, err := diff.Compare(t.Context(), survey(t, before), survey(t, after), diff.Options{})
				if err != nil {
					t.Fatal(err)
				}
				got := said(r)
				slices.Sort(got)
				if !slices.Equal(got, w.want) {
					t.Errorf("%v, want %v: %+v, %+v", got, w.want, r.Files, r.Volumes)
				}
				if r.Original {
					t.Error("a volume alone is called an original")
				}
				codes := imagetest.Codes(r.Findings)
				if slices.Contains(w.want, "desktop") != slices.Contains(codes, string(disk.DesktopMounted)) ||
					slices.Contains(w.want, "new-volume") != slices.Contains(codes, string(disk.VolumeMadeNew)) {
					t.Errorf("findings %v", r.Findings)
				}
			})
		}
	}
}
