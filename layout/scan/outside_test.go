package scan

import (
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest/need"
	"bootgraft/layout"
)

func tool(t testing.TB, name, stdin string, args ...string) string {
	t.Helper()
	cmd := exec.Command(need.Tool(t, name), args...)
	cmd.Stdin = strings.NewReader(stdin)
	cmd.Env = append(os.Environ(), "HOME="+t.TempDir()) // hformat keeps notes there
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("%s %q: %v\n%s", name, args, err, out)
	}
	return string(out)
}

func blankFile(t testing.TB, sectors int64) string {
	t.Helper()
	name := filepath.Join(t.TempDir(), "disk.img")
	if err := os.WriteFile(name, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(name, sectors*512); err != nil {
		t.Fatal(err)
	}
	return name
}

func surveyFile(t testing.TB, name string) *layout.Map {
	t.Helper()
	src, err := image.Open(name, 512)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { src.Close() })
	return survey(t, src)
}

// sfdiskEntries returns the partitions that sfdisk --json lists.
func sfdiskEntries(t testing.TB, name string) (label string, out []layout.Entry) {
	t.Helper()
	var j struct {
		Table struct {
			Label      string
			Partitions []struct {
				Node        string
				Start, Size disk.Sector
				Type        string
				Bootable    bool
			}
		} `json:"partitiontable"`
	}
	if err := json.Unmarshal([]byte(tool(t, "sfdisk", "", "--json", name)), &j); err != nil {
		t.Fatal(err)
	}
	for _, p := range j.Table.Partitions {
		i, err := strconv.Atoi(strings.TrimPrefix(p.Node, name))
		if err != nil {
			t.Fatal(err)
		}
		typ := strings.ToUpper(p.Type)
		if len(typ) == 1 {
			typ = "0" + typ
		}
		out = append(out, layout.Entry{Span: disk.Span{Start: p.Start, Count: p.Size}, Index: i, Type: typ, Active: p.Bootable})
	}
	return j.Table.Label, out
}

// blkid returns what blkid -p of util-linux finds at a sector of an image.
func blkid(t testing.TB, name string, s disk.Span) map[string]string {
	t.Helper()
	out := tool(t, "blkid", "", "-p", "-o", "export", "--offset", fmt.Sprint(int64(s.Start)*512), "--size", fmt.Sprint(int64(s.Count)*512), name)
	found := map[string]string{}
	for line := range strings.Lines(out) {
		k, v, _ := strings.Cut(strings.TrimSpace(line), "=")
		found[k] = v
	}
	return found
}

var volumeMakers = []struct {
	kind, blkid string
	sectors     disk.Sector
	make        func(t testing.TB, path string)
}{
	{"fat12", "vfat", 8000, mkfs("mkfs.fat", "-F", "12", "-n", "SONGS")},
	{"fat16", "vfat", 40000, mkfs("mkfs.fat", "-F", "16", "-n", "SONGS")},
	{"fat32", "vfat", 80000, mkfs("mkfs.fat", "-F", "32", "-s", "1", "-n", "SONGS")},
	{"ext2", "ext2", 20000, mkfs("mke2fs", "-q", "-F", "-L", "songs")},
	{"ext3", "ext3", 20000, mkfs("mke2fs", "-q", "-F", "-j", "-L", "songs")},
	{"ext4", "ext4", 20000, mkfs("mke2fs", "-q", "-F", "-t", "ext4", "-L", "songs")},
	{"ntfs", "ntfs", 20000, mkfs("mkntfs", "-q", "-F", "-s", "512", "-L", "songs")},
	{"exfat", "exfat", 20000, mkfs("mkfs.exfat", "-L", "songs")},
	{"swap", "swap", 20000, mkfs("mkswap", "-q", "-L", "songs")},
	{"hfs", "hfs", 20000, mkfs("hformat", "-l", "songs")},
	{"squashfs", "squashfs", 2000, func(t testing.TB, path string) { fromFolder(t, path, "mksquashfs") }},
	{"iso9660", "iso9660", 4000, func(t testing.TB, path string) { fromFolder(t, path, "genisoimage") }},
}

func mkfs(name string, args ...string) func(testing.TB, string) {
	return func(t testing.TB, path string) { tool(t, name, "", append(slices.Clone(args), path)...) }
}

// fromFolder makes a volume of a folder with one file in it.
func fromFolder(t testing.TB, path, name string) {
	t.Helper()
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "take.wav"), make([]byte, 200000), 0o600); err != nil {
		t.Fatal(err)
	}
	made := path + ".made"
	if name == "mksquashfs" {
		tool(t, name, "", dir, made, "-quiet", "-no-progress")
	} else {
		tool(t, name, "", "-quiet", "-V", "songs", "-o", made, dir)
	}
	b, err := os.ReadFile(made)
	if err != nil {
		t.Fatal(err)
	}
	put(t, path, 0, b)
}

func put(t testing.TB, path string, at disk.Sector, b []byte) {
	t.Helper()
	f, err := os.OpenFile(path, os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if _, err := f.WriteAt(b, int64(at)*512); err != nil {
		t.Fatal(err)
	}
}

// Disks made by sfdisk, with volumes made by their own tools: the survey lists
// what sfdisk --json of util-linux lists, and names what blkid -p finds.
func TestAgreesWithSfdiskAndBlkid(t *testing.T) {
	for _, label := range []string{"dos", "gpt"} {
		t.Run(label, func(t *testing.T) {
			name, spans := diskOfAll(t, label)
			s := surveyFile(t, name)
			wantLabel, want := sfdiskEntries(t, name)
			if got := map[string]string{"mbr": "dos", "gpt": "gpt"}[s.Table]; got != wantLabel {
				t.Errorf("table %s, sfdisk says %s", s.Table, wantLabel)
			}
			var got []layout.Entry
			for _, e := range s.Entries {
				got = append(got, layout.Entry{Span: e.Span, Index: e.Index, Type: e.Type, Active: e.Active})
			}
			slices.SortFunc(got, func(a, b layout.Entry) int { return a.Index - b.Index })
			slices.SortFunc(want, func(a, b layout.Entry) int { return a.Index - b.Index })
			if !slices.Equal(got, want) {
				t.Errorf("entries\n%+v\nsfdisk says\n%+v", got, want)
			}
			compareVolumes(t, s, name, spans)
		})
	}
}

func compareVolumes(t *testing.T, s *layout.Map, name string, spans []disk.Span) {
	t.Helper()
	for i, m := range volumeMakers {
		b := blkid(t, name, spans[i])
		at := slices.IndexFunc(s.Volumes, func(v layout.Volume) bool { return v.Start == spans[i].Start })
		if at < 0 {
			t.Errorf("no volume %s at %s; blkid says %v", m.kind, spans[i], b)
			continue
		}
		v := s.Volumes[at]
		if v.Kind != m.kind || b["TYPE"] != m.blkid || b["LABEL"] != v.Label || !strings.EqualFold(b["UUID"], v.ID) && v.Kind != "iso9660" && v.Kind != "squashfs" {
			t.Errorf("%+v; blkid says %v", v, b)
		}
		if v.End() > spans[i].End() {
			t.Errorf("%s ends at %d, its entry at %d", v.Kind, v.End(), spans[i].End())
		}
	}
}

// diskOfAll makes an image with one volume of each kind.
func diskOfAll(t testing.TB, label string) (string, []disk.Span) {
	t.Helper()
	var script strings.Builder
	fmt.Fprintf(&script, "label: %s\nunit: sectors\n", label)
	var spans []disk.Span
	at := disk.Sector(2048)
	for i, m := range volumeMakers {
		if label == "dos" && i == 2 {
			fmt.Fprintf(&script, "start=%d, type=f\n", at)
			at += 63
		}
		spans = append(spans, disk.Span{Start: at, Count: m.sectors})
		fmt.Fprintf(&script, "start=%d, size=%d\n", at, m.sectors)
		at += m.sectors + 63
	}
	name := blankFile(t, int64(at)+3000)
	tool(t, "sfdisk", script.String(), "-q", "--no-reread", "--no-tell-kernel", "-w", "never", name)
	for i, m := range volumeMakers {
		part := blankFile(t, int64(m.sectors))
		m.make(t, part)
		b, err := os.ReadFile(part)
		if err != nil {
			t.Fatal(err)
		}
		put(t, name, spans[i].Start, b)
	}
	return name, spans
}

// Each volume alone on a disk is a bare volume, and blkid agrees.
func TestBareVolumesAgreeWithBlkid(t *testing.T) {
	for _, m := range volumeMakers {
		t.Run(m.kind, func(t *testing.T) {
			name := blankFile(t, int64(m.sectors))
			m.make(t, name)
			s := surveyFile(t, name)
			if s.Table != "none" || len(s.Volumes) != 1 || s.Volumes[0].Kind != m.kind || s.Volumes[0].Index != 0 {
				t.Errorf("table %s, volumes %+v, %v", s.Table, s.Volumes, s.Findings)
			}
			if b := blkid(t, name, disk.Span{Count: m.sectors}); b["TYPE"] != m.blkid {
				t.Errorf("blkid says %v", b)
			}
		})
	}
}

// A disc image that is a disk as well: an MBR written over an ISO 9660 volume.
func TestHybridDisc(t *testing.T) {
	name := blankFile(t, 4000)
	fromFolder(t, name, "genisoimage")
	tool(t, "sfdisk", "label: dos\nstart=64, size=3000, type=17\n", "-q", "--no-reread", "--no-tell-kernel", "-w", "never", name)
	s := surveyFile(t, name)
	if s.Table != "mbr" || len(s.Entries) != 1 {
		t.Errorf("table %s, %+v", s.Table, s.Entries)
	}
	if !slices.ContainsFunc(s.Findings, func(f disk.Finding) bool { return f.Code == "volume-beside-table" }) {
		t.Errorf("findings %v", s.Findings)
	}
}

// mkfs.fat --offset makes a volume one sector longer than asked when an odd
// number of sectors follows: larger than its entry.
func TestFATOneSectorTooLong(t *testing.T) {
	name := blankFile(t, 20000)
	tool(t, "sfdisk", "label: dos\nstart=63, size=19936, type=6\n", "-q", "--no-reread", "--no-tell-kernel", "-w", "never", name)
	tool(t, "mkfs.fat", "", "-F", "16", "-s", "1", "--offset", "63", name, "9968")
	b, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	if total := int(b[63*512+19]) | int(b[63*512+20])<<8; total <= 19936 {
		b[63*512+19], b[63*512+20] = 0xE1, 0x4D // 19,937
		put(t, name, 0, b)
	}
	s := surveyFile(t, name)
	if !slices.ContainsFunc(s.Findings, func(f disk.Finding) bool { return f.Code == "fat-larger-than-partition" && f.Sector == 63 }) {
		t.Errorf("findings %v", s.Findings)
	}
}
