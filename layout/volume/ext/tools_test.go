package ext

import (
	"crypto/sha256"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"bootgraft/image/disk"
)

// TestAgainstTools makes every variant with mke2fs and lets e2fsprogs and
// util-linux say what is in it: e2fsck(8), dumpe2fs(8), debugfs(8), blkid(8).
func TestAgainstTools(t *testing.T) {
	dir := tree(t, 300)
	want := truth(t, dir)
	for _, x := range variants {
		t.Run(x.name, func(t *testing.T) {
			path := x.make(t, dir)
			run(t, "e2fsck", "-fn", path)
			v := open(t, path)
			if len(v.Findings) > 0 {
				t.Errorf("findings on a sound volume: %+v", v.Findings)
			}
			got, files := listing(t, v)
			want := maps.Clone(want)
			if v.incompat(incompatInlineData) {
				// mke2fs -d cuts the hole at the end of a file there
				// (1.47.0); debugfs dump then says what it made.
				want["sparse.bin"] = dumped(t, path, files["sparse.bin"])
			}
			same(t, got, want)
			checkBlkid(t, path, v, x.kind)
			checkDumpe2fs(t, path, v)
			for _, name := range []string{"sparse.bin", "sizes/900000.bin", "many"} {
				checkDebugfs(t, path, v, files[name])
			}
		})
	}
}

// dumped reads a file with debugfs, in the form of truth.
func dumped(t *testing.T, path string, f File) string {
	t.Helper()
	out := filepath.Join(t.TempDir(), "dump")
	run(t, "debugfs", "-R", fmt.Sprintf("dump <%d> %s", f.Inode, out), path)
	b, err := os.ReadFile(out)
	if err != nil {
		t.Fatal(err)
	}
	return fmt.Sprintf("%x %d %v %d", sha256.Sum256(b), len(b), f.Mode, f.Modified.Unix())
}

func checkBlkid(t *testing.T, path string, v *Volume, kind string) {
	t.Helper()
	out := run(t, "blkid", "-p", "-o", "export", path)
	for _, line := range []string{"TYPE=" + kind, `LABEL=Attic\ 7`, "UUID=0f1e2d3c-4b5a-6978-8796-a5b4c3d2e1f0"} {
		if !strings.Contains(out, line+"\n") {
			t.Fatalf("blkid does not say %s:\n%s", line, out)
		}
	}
	l := v.Layout(1000, 3)
	if l.Kind != kind || l.Label != "Attic 7" || l.ID != "0f1e2d3c-4b5a-6978-8796-a5b4c3d2e1f0" || l.Index != 3 || l.Start != 1000 || !l.Sized {
		t.Errorf("Layout says %+v", l)
	}
}

var (
	fieldRE = regexp.MustCompile(`(?m)^([A-Z][A-Za-z ]+):\s+(.*)$`)
	superRE = regexp.MustCompile(`(?m)(?:Primary|Backup) superblock at (\d+)(?:, Group descriptors at (\d+)-(\d+))?`)
	freeRE  = regexp.MustCompile(`(?m)^  Free blocks: (.*)$`)
)

// checkDumpe2fs compares sizes, places of copies and free blocks.
func checkDumpe2fs(t *testing.T, path string, v *Volume) {
	t.Helper()
	out := run(t, "dumpe2fs", path)
	fields := map[string]string{}
	for _, m := range fieldRE.FindAllStringSubmatch(out, -1) {
		fields[m[1]] = m[2]
	}
	for name, have := range map[string]uint64{
		"Block count": v.Blocks, "Free blocks": v.FreeBlocks, "Block size": uint64(v.BlockSize), "Inode count": uint64(v.Inodes),
	} {
		if fields[name] != strconv.FormatUint(have, 10) {
			t.Errorf("%s: dumpe2fs says %s, we %d", name, fields[name], have)
		}
	}
	l := v.Layout(0, 0)
	if used := int64(v.Blocks-v.FreeBlocks) * v.BlockSize; l.UsedBytes != used {
		t.Errorf("used bytes %d, want %d", l.UsedBytes, used)
	}
	var supers []disk.Sector
	for _, m := range superRE.FindAllStringSubmatch(out, -1) {
		var n [3]uint64
		for i := range n {
			n[i], _ = strconv.ParseUint(m[i+1], 10, 64)
		}
		if len(supers) == 0 && m[2] != "" && !l.Meaning.Holds(v.sector(n[2])) {
			t.Errorf("descriptors in blocks %d-%d are not in Meaning %v", n[1], n[2], l.Meaning)
		}
		supers = append(supers, v.sector(n[0]))
	}
	if have := v.Backups(1000); fmt.Sprint(have) != fmt.Sprint(supers[1:]) {
		t.Errorf("backups in sectors %v, dumpe2fs says %v", have, supers[1:])
	}
	checkFree(t, v, out)
}

// checkFree compares Used with the free blocks that dumpe2fs lists.
func checkFree(t *testing.T, v *Volume, out string) {
	t.Helper()
	var free []disk.Span
	for _, m := range freeRE.FindAllStringSubmatch(out, -1) {
		for _, part := range strings.Split(m[1], ", ") {
			if part == "" {
				continue
			}
			a, b, two := strings.Cut(part, "-")
			from, err := strconv.ParseUint(a, 10, 64)
			if err != nil {
				t.Fatal(err)
			}
			to := from
			if two {
				to, _ = strconv.ParseUint(b, 10, 64)
			}
			to += v.ratio - 1 // of a cluster its first block is printed
			free = append(free, v.span(from, to-from+1))
		}
	}
	used, err := v.Used()
	if err != nil {
		t.Fatal(err)
	}
	want := disk.NewSpans(free...).Outside(disk.Span{Count: v.sectors()})
	if fmt.Sprint(used) != fmt.Sprint(want) {
		t.Errorf("used sectors\n%v\nwant\n%v", used, want)
	}
}

// checkDebugfs compares the blocks of a file, in order, with debugfs blocks.
func checkDebugfs(t *testing.T, path string, v *Volume, f File) {
	t.Helper()
	var have, want []string
	for _, e := range f.Extents {
		if e.Kind == Hole || e.Skip != 0 {
			continue
		}
		per := v.sector(1)
		for s := e.Sectors.Start; s < e.Sectors.End(); s += per {
			have = append(have, fmt.Sprint(s/per))
		}
	}
	for _, e := range regexp.MustCompile(`\((\d+)(?:-(\d+))?(\[u\])?\):(\d+)(?:-(\d+))?`).FindAllStringSubmatch(run(t, "debugfs", "-R", fmt.Sprintf("stat <%d>", f.Inode), path), -1) {
		from, _ := strconv.Atoi(e[4])
		to := from
		if e[5] != "" {
			to, _ = strconv.Atoi(e[5])
		}
		for ; from <= to; from++ {
			want = append(want, fmt.Sprint(from))
		}
	}
	if fmt.Sprint(have) != fmt.Sprint(want) {
		t.Errorf("%s: blocks %v, debugfs says %v", f.Path, have, want)
	}
}
