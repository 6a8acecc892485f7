package gpt

import (
	"encoding/json"
	"fmt"
	"io/fs"
	"math/rand"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	diskfsfile "github.com/diskfs/go-diskfs/backend/file"
	diskfs "github.com/diskfs/go-diskfs/partition/gpt"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/image/imagetest/need"
)

// randomScript returns an sfdisk script for a disk of n sectors.
func randomScript(r *rand.Rand, n int) string {
	types := slices.Sorted(func(yield func(string) bool) {
		for t := range typeNames {
			if !yield(t) {
				return
			}
		}
	})
	var b strings.Builder
	fmt.Fprintf(&b, "label: gpt\nlabel-id: %s\nfirst-lba: 34\n", randomGUID(r))
	at := 34 + r.Intn(100)
	for i := range 1 + r.Intn(30) {
		size := 1 + r.Intn(n/40)
		fmt.Fprintf(&b, "start=%d, size=%d, type=%s, uuid=%s, name=\"No %d äß\"\n", at, size, types[r.Intn(len(types))], randomGUID(r), i)
		at += size + r.Intn(50)
	}
	return b.String()
}

func randomGUID(r *rand.Rand) GUID {
	var g GUID
	r.Read(g[:])
	return g
}

// sfdisk writes a table as the script says on a new image file of n sectors.
func sfdisk(t testing.TB, script string, n int64) string {
	t.Helper()
	tool := need.Tool(t, "sfdisk")
	img := filepath.Join(t.TempDir(), "disk.img")
	if err := os.WriteFile(img, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(img, n*512); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(tool, "-q", "--no-reread", "--no-tell-kernel", "-w", "never", img)
	cmd.Stdin = strings.NewReader(script)
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("sfdisk: %v\n%s\n%s", err, out, script)
	}
	return img
}

func readImage(t testing.TB, img string) *Table {
	t.Helper()
	f, err := image.Open(img, 512)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	return mustRead(t, f)
}

// compareSfdisk checks a table against the list of sfdisk of util-linux.
func compareSfdisk(t *testing.T, img string, tab *Table) {
	t.Helper()
	out, err := exec.Command(need.Tool(t, "sfdisk"), "--json", img).Output()
	if err != nil {
		t.Fatalf("sfdisk --json: %v", err)
	}
	var doc struct {
		PartitionTable struct {
			Label, ID         string
			FirstLBA, LastLBA uint64
			Partitions        []struct {
				Node             string
				Start, Size      int64
				Type, UUID, Name string
			}
		}
	}
	if err := json.Unmarshal(out, &doc); err != nil {
		t.Fatal(err)
	}
	p, h := doc.PartitionTable, tab.InForce.Header
	if p.Label != "gpt" || p.ID != tab.DiskGUID().String() || p.FirstLBA != h.FirstUsable() || p.LastLBA != h.LastUsable() {
		t.Fatalf("sfdisk: %s %s, usable %d to %d; we: %s, %d to %d", p.Label, p.ID, p.FirstLBA, p.LastLBA, tab.DiskGUID(), h.FirstUsable(), h.LastUsable())
	}
	got := tab.Layout().Entries
	if len(got) != len(p.Partitions) {
		t.Fatalf("%d entries, sfdisk lists %d", len(got), len(p.Partitions))
	}
	for i, w := range p.Partitions {
		g := got[i]
		unique := tab.Entries()[g.Index-1].Unique.String()
		if strconv.Itoa(g.Index) != strings.TrimPrefix(w.Node, img) || int64(g.Start) != w.Start || int64(g.Count) != w.Size || g.Type != w.Type || g.Name != w.Name || unique != w.UUID {
			t.Fatalf("entry %+v %s, sfdisk lists %+v", g, unique, w)
		}
	}
}

// compareDiskfs checks a table against go-diskfs v1.9.4, which is trustworthy
// for tables with entries of 128 bytes and a backup table at the end.
func compareDiskfs(t *testing.T, img string, tab *Table) {
	t.Helper()
	f, err := os.Open(img)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	other, err := diskfs.Read(diskfsfile.New(fs.File(f), true), tab.SectorSize, tab.SectorSize)
	if err != nil {
		t.Fatalf("go-diskfs: %v", err)
	}
	if !strings.EqualFold(other.GUID, tab.DiskGUID().String()) || !other.ProtectiveMBR || other.RecoveredFromBackup != !tab.Primary.Valid() {
		t.Fatalf("go-diskfs: disk %s, protective %v, from second copy %v", other.GUID, other.ProtectiveMBR, other.RecoveredFromBackup)
	}
	var want []string
	for _, p := range other.Partitions {
		if string(p.Type) != string(diskfs.Unused) {
			want = append(want, fmt.Sprintf("%d %d-%d %s %s", p.Index, p.Start, p.End, strings.ToUpper(string(p.Type)), strings.TrimRight(p.Name, "\x00")))
		}
	}
	var got []string
	for _, e := range tab.Layout().Entries {
		got = append(got, fmt.Sprintf("%d %d-%d %s %s", e.Index, e.Start, e.Last(), e.Type, e.Name))
	}
	if !slices.Equal(got, want) {
		t.Fatalf("go-diskfs lists\n%s\nwe\n%s", strings.Join(want, "\n"), strings.Join(got, "\n"))
	}
}

// Random tables, written by sfdisk (util-linux), read by all three, rendered
// by us for another size, and read by all three again.
func TestAgainstSfdiskAndDiskfs(t *testing.T) {
	need.Tool(t, "sfdisk")
	const n = 200000
	for _, seed := range need.Seeds(12, 400) {
		r := rand.New(rand.NewSource(seed))
		img := sfdisk(t, randomScript(r, n), n)
		tab := readImage(t, img)
		if len(tab.Findings) != 0 {
			t.Fatalf("seed %d: findings on a table of sfdisk: %v", seed, tab.Findings)
		}
		compareSfdisk(t, img, tab)
		compareDiskfs(t, img, tab)
		same, err := tab.render(n, nil, nil)
		if err != nil {
			t.Fatalf("seed %d: %v", seed, err)
		}
		f, err := image.Open(img, 512)
		if err != nil {
			t.Fatal(err)
		}
		equalTables(t, "same size", f, same)
		if err := f.Close(); err != nil {
			t.Fatal(err)
		}
		entries := tab.Layout().Entries
		last := entries[len(entries)-1]
		target := last.End() + 33 + disk.Sector(r.Intn(n))
		rendered, err := tab.Render(target, nil, map[int]disk.Span{last.Index: {Start: last.Start, Count: 1 + disk.Sector(r.Int63n(int64(last.Count)))}})
		if err != nil {
			t.Fatalf("seed %d: %v", seed, err)
		}
		img = imagetest.Save(t, apply(rendered, target, 512))
		after := readImage(t, img)
		if len(after.Findings) != 0 {
			t.Fatalf("seed %d: findings after Render: %v", seed, after.Findings)
		}
		compareSfdisk(t, img, after)
		compareDiskfs(t, img, after)
		if out, err := exec.Command(need.Tool(t, "sfdisk"), "--verify", img).CombinedOutput(); err != nil || strings.Contains(string(out), "corrupt") || strings.Contains(string(out), "mismatch") {
			t.Fatalf("seed %d: sfdisk --verify: %v\n%s", seed, err, out)
		}
	}
}

// Every copy alone: blkid -p (libblkid) and go-diskfs fall back as we do.
func TestSecondCopyAgainstOthers(t *testing.T) {
	d := fixture(t, "music.txt")
	d.Put(1, make([]byte, 512))
	img := imagetest.Save(t, d)
	tab := readImage(t, img)
	if tab.InForce != tab.Backup {
		t.Fatal("the second copy is not in force")
	}
	compareSfdisk(t, img, tab)
	compareDiskfs(t, img, tab)
	if got := imagetest.Blkid(t, img)["PTTYPE"]; got != "gpt" {
		t.Errorf("blkid: %q", got)
	}
}

// G11: a disk cut short. libblkid sees only the protective record then, and
// we too refuse the primary table, because its usable sectors run past the end.
func TestCutDisk(t *testing.T) {
	d := fixture(t, "music.txt")
	head, err := image.ReadSectors(d, disk.Span{Count: 60000})
	if err != nil {
		t.Fatal(err)
	}
	cut := imagetest.NewBytes(head, 512)
	if tab, err := Read(cut); err == nil || !strings.Contains(err.Error(), "the last sector of the disk is 59999") {
		t.Errorf("%v, %v", tab, err)
	}
	if got := imagetest.Blkid(t, imagetest.Save(t, cut))["PTTYPE"]; got != "PMBR" {
		t.Errorf("blkid: %q, want PMBR", got)
	}
}

// A loop device with sectors of 4096 bytes: sfdisk and partx read there what
// we rendered, and the kernel's sector size decides.
func TestFourKiBAgainstSfdisk(t *testing.T) {
	tool := need.Tool(t, "sfdisk")
	tab := mustRead(t, fixture(t, "songs4k.txt"))
	r, err := tab.Render(70000, nil, map[int]disk.Span{2: {Start: 30000, Count: 39000}})
	if err != nil {
		t.Fatal(err)
	}
	img := imagetest.Save(t, apply(r, 70000, 4096))
	dev := need.Loop(t, img, "--read-only", "--sector-size", "4096")
	cmd := exec.Command(tool, "--dump", dev)
	cmd.Env = append(os.Environ(), "LC_ALL=C")
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	for _, want := range []string{"sector-size: 4096", "last-lba: 69994", "start=       30000, size=       39000", `Gr\xc3\xb6\xc3\x9fe`} {
		if !strings.Contains(string(out), want) {
			t.Errorf("sfdisk does not say %q:\n%s", want, out)
		}
	}
	if strings.Contains(string(out), "corrupt") {
		t.Errorf("sfdisk: %s", out)
	}
}

// Every type that we name is one that util-linux knows.
func TestTypesAgainstSfdisk(t *testing.T) {
	out, err := exec.Command(need.Tool(t, "sfdisk"), "--list-types", "--label", "gpt").Output()
	if err != nil {
		t.Fatal(err)
	}
	for id, name := range typeNames {
		if !strings.Contains(string(out), id) {
			t.Errorf("type %s, %q, is not in the list of sfdisk", id, name)
		}
		if g := mustGUID(id); g.String() != id || typeName(g) != name {
			t.Errorf("%s comes back as %s, %q", id, g, typeName(g))
		}
	}
}
