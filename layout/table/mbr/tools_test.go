package mbr

import (
	"encoding/json"
	"fmt"
	"math/rand"
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
)

// randomScript returns an sfdisk script with up to three primaries and,
// mostly, a chain of up to 56 logical volumes: 60 entries are the most that
// sfdisk makes.
func randomScript(r *rand.Rand, sectors int) string {
	var b strings.Builder
	fmt.Fprintf(&b, "label: dos\nlabel-id: 0x%08x\nunit: sectors\n", r.Uint32())
	types := []string{"1", "4", "6", "7", "b", "c", "e", "82", "83", "da", "fd"}
	pick := func() string { return types[r.Intn(len(types))] }
	at := 1 + r.Intn(3000)
	for i := 0; i < r.Intn(4); i++ {
		n := 1 + r.Intn(sectors/10)
		fmt.Fprintf(&b, "start=%d, size=%d, type=%s\n", at, n, pick())
		at += n + r.Intn(100)
	}
	logical := r.Intn(57)
	if logical == 0 {
		return b.String()
	}
	box := at
	fmt.Fprintf(&b, "start=%d, size=%d, type=%s\n", at, sectors-at, []string{"5", "f", "85"}[r.Intn(3)])
	room := (sectors - box) / logical
	for i := range logical {
		start := box + i*room + 1 + r.Intn(room/4)
		fmt.Fprintf(&b, "start=%d, size=%d, type=%s\n", start, 1+r.Intn(room/2), pick())
	}
	return b.String()
}

// sfdisk writes a table as the script says on a new image file.
func sfdisk(t testing.TB, script string, sectors int64) string {
	t.Helper()
	tool := need.Tool(t, "sfdisk")
	img := filepath.Join(t.TempDir(), "disk.img")
	if err := os.WriteFile(img, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(img, sectors*512); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(tool, "-q", "--no-reread", "--no-tell-kernel", "-w", "never", img)
	cmd.Stdin = strings.NewReader(script)
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("sfdisk: %v\n%s\n%s", err, out, script)
	}
	return img
}

// listed is what sfdisk --json says of one entry.
type listed struct {
	Node        string
	Start, Size int64
	Type        string
	Bootable    bool
}

func sfdiskList(t testing.TB, img string) []listed {
	t.Helper()
	out, err := exec.Command(need.Tool(t, "sfdisk"), "--json", img).Output()
	if err != nil {
		t.Fatalf("sfdisk --json: %v", err)
	}
	var doc struct {
		PartitionTable struct{ Partitions []listed }
	}
	if err := json.Unmarshal(out, &doc); err != nil {
		t.Fatal(err)
	}
	return doc.PartitionTable.Partitions
}

func readImage(t testing.TB, img string) *Table {
	t.Helper()
	f, err := image.Open(img, 512)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	tab, err := Read(f)
	if err != nil {
		t.Fatal(err)
	}
	return tab
}

// compare checks a table against sfdisk of util-linux.
func compare(t *testing.T, img string, tab *Table) {
	t.Helper()
	want := sfdiskList(t, img)
	got := tab.Entries()
	if len(got) != len(want) {
		t.Fatalf("%d entries, sfdisk lists %d", len(got), len(want))
	}
	for i, w := range want {
		index, _ := strconv.Atoi(strings.TrimPrefix(w.Node, img))
		typ, _ := strconv.ParseUint(w.Type, 16, 8)
		g := got[i]
		if g.Index != index || int64(g.Start) != w.Start || int64(g.Count) != w.Size || g.Type != Code(byte(typ)) || g.Active != w.Bootable {
			t.Fatalf("entry %+v, sfdisk lists %+v", g, w)
		}
	}
}

// Random tables, written and read by sfdisk (util-linux), read by us, cut by
// us, and read by both again.
func TestAgainstSfdisk(t *testing.T) {
	need.Tool(t, "sfdisk")
	const sectors = 2000000
	for _, seed := range need.Seeds(20, 500) {
		r := rand.New(rand.NewSource(seed))
		img := sfdisk(t, randomScript(r, sectors), sectors)
		tab := readImage(t, img)
		if len(tab.Findings) != 0 {
			t.Fatalf("seed %d: findings on a table of sfdisk: %v", seed, tab.Findings)
		}
		compare(t, img, tab)
		changes := map[int]disk.Sector{}
		for _, e := range tab.Entries() {
			if !e.Extended && r.Intn(2) == 0 {
				changes[e.Index] = 1 + disk.Sector(r.Int63n(int64(e.Count)))
			}
		}
		changed, _, err := tab.Resize(changes)
		if err != nil {
			t.Fatalf("seed %d: %v", seed, err)
		}
		f, err := os.OpenFile(img, os.O_RDWR, 0)
		if err != nil {
			t.Fatal(err)
		}
		for at, b := range changed {
			if _, err := f.WriteAt(b, int64(at)*512); err != nil {
				t.Fatal(err)
			}
		}
		if err := f.Close(); err != nil {
			t.Fatal(err)
		}
		after := readImage(t, img)
		if len(after.Findings) != 0 {
			t.Fatalf("seed %d: findings after Resize: %v", seed, after.Findings)
		}
		compare(t, img, after)
	}
}

// After Resize the bytes are those that sfdisk itself writes for the shorter
// table, CHS and links included.
func TestResizeWritesWhatSfdiskWrites(t *testing.T) {
	script := func(last int) string {
		return fmt.Sprintf("label: dos\nlabel-id: 0x2b0079f1\nunit: sectors\nstart=63, size=40257, type=c, bootable\nstart=40320, size=900000, type=f\nstart=40383, size=200000, type=b\nstart=260000, size=%d, type=83\n", last)
	}
	tab := readImage(t, sfdisk(t, script(300000), 1048576))
	want := readImage(t, sfdisk(t, script(123456), 1048576))
	changed, _, err := tab.Resize(map[int]disk.Sector{6: 123456})
	if err != nil || len(changed) != 2 {
		t.Fatalf("%d sectors, %v", len(changed), err)
	}
	for at, b := range changed {
		if !slices.Equal(b, want.sectorAt(at).raw) {
			t.Errorf("sector %d\n got % x\nwant % x", at, b[446:], want.sectorAt(at).raw[446:])
		}
	}
}

// partx and blkid -p (libblkid) as second readers of the fixture chain.
func TestAgainstLibblkid(t *testing.T) {
	partx, blkid := need.Tool(t, "partx"), need.Tool(t, "blkid")
	img := sfdisk(t, randomScript(rand.New(rand.NewSource(7)), 2000000), 2000000)
	tab := readImage(t, img)
	out, err := exec.Command(partx, "-g", "-r", "-o", "NR,START,SECTORS", img).Output()
	if err != nil {
		t.Fatal(err)
	}
	var want []string
	for _, e := range tab.Entries() {
		want = append(want, fmt.Sprintf("%d %d %d", e.Index, e.Start, e.Count))
	}
	got := strings.Split(strings.TrimSpace(string(out)), "\n")
	// libblkid lists a container with the sectors it has.
	if !slices.Equal(got, want) {
		t.Errorf("partx lists\n%s\nwe\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
	out, err = exec.Command(blkid, "-p", "-o", "value", "-s", "PTTYPE", "-s", "PTUUID", img).Output()
	if id := fmt.Sprintf("%08x\ndos\n", tab.Boot.DiskID()); err != nil || string(out) != id {
		t.Errorf("blkid says %q (%v), want %q", out, err, id)
	}
}

// Every type that we name is one that util-linux knows.
func TestTypesAgainstSfdisk(t *testing.T) {
	out, err := exec.Command(need.Tool(t, "sfdisk"), "--list-types", "--label", "dos").Output()
	if err != nil {
		t.Fatal(err)
	}
	known := map[string]bool{}
	for _, line := range strings.Split(string(out), "\n") {
		if f := strings.Fields(line); len(f) > 1 {
			known[strings.ToUpper("0" + f[0])[max(0, len(f[0])-1):]] = true
		}
	}
	for c := range typeNames {
		if !known[Code(c)] {
			t.Errorf("type %s, %q, is not in the list of sfdisk", Code(c), typeName(c))
		}
	}
}
