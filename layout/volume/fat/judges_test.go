package fat_test

import (
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

var fsckLine = regexp.MustCompile(`: (\d+) files, (\d+)/(\d+) clusters`)

// checkHealth compares our counts with those of fsck.fat.
func checkHealth(t *testing.T, m *made) {
	t.Helper()
	h := m.V.Check(m.T)
	if h.Total != 0 || !h.Sound() || h.Lost != 0 {
		t.Errorf("not healthy: %+v", h.Problems)
	}
	for _, f := range h.Findings {
		switch f.Code {
		case "fat-sector-size-differs", "fat-type-boundary", "fat-type-disagrees":
		default:
			t.Errorf("finding %s: %s", f.Code, f.Text)
		}
	}
	if h.Deleted == 0 {
		t.Error("no deleted entries were counted")
	}
	if m.V.BPB.FATs > 2 {
		return // fsck.fat refuses them
	}
	out := tool(t, "fsck.fat", "-n", "-v", m.Path)
	n := fsckLine.FindStringSubmatch(out)
	if n == nil {
		t.Fatalf("fsck.fat said nothing of clusters:\n%s", out)
	}
	got := []string{strconv.Itoa(h.Files + h.Dirs), strconv.Itoa(int(h.Used)), strconv.Itoa(int(m.V.Clusters))}
	// fsck.fat counts the label too.
	files, _ := strconv.Atoi(n[1])
	if got[1] != n[2] || got[2] != n[3] || files-h.Files-h.Dirs > 1 || files < h.Files+h.Dirs {
		t.Errorf("files, used, clusters: %v, fsck.fat: %v", got, n[1:])
	}
}

func checkMdir(t *testing.T, m *made, files map[string][]byte) {
	t.Helper()
	got := map[string]bool{}
	for _, l := range strings.Split(tool(t, "mdir", "-/", "-b", "-a", "-i", m.Path, "::/"), "\n") {
		if p := strings.TrimPrefix(strings.TrimSpace(l), "::/"); p != "" {
			got[strings.TrimSuffix(p, "/")] = true
		}
	}
	for p := range files {
		if !got[p] {
			t.Errorf("mdir does not list %s", p)
		}
		delete(got, p)
	}
	for p := range got {
		if !m.Dirs[p] {
			t.Errorf("mdir lists %s, we do not", p)
		}
	}
	if l := m.V.Label(); l != "OLD SONGS" || m.V.ID() != "C0FF-EE01" {
		t.Errorf("label %q, id %s", l, m.V.ID())
	}
}

// checkBlkid compares what libblkid (util-linux) makes of the boot sector.
func checkBlkid(t *testing.T, m *made) {
	t.Helper()
	got := map[string]string{}
	for _, l := range strings.Split(tool(t, "blkid", "-p", "-o", "export", m.Path), "\n") {
		k, v, _ := strings.Cut(l, "=")
		got[k] = v
	}
	if got["TYPE"] != "vfat" || strings.ToLower(got["VERSION"]) != m.V.Kind.String() || got["UUID"] != m.V.ID() || got["LABEL"] != `OLD\ SONGS` {
		t.Errorf("blkid: %v; we: %s %s", got, m.V.Kind, m.V.ID())
	}
}

// checkGrub compares three files by GRUB's own reader.
func checkGrub(t *testing.T, m *made) {
	t.Helper()
	if m.V.BPB.FATs > 2 || m.V.PerSector > 1 {
		return // GRUB reads two tables at most, and grub-fstest sectors of 512 bytes
	}
	n := 0
	for p, b := range m.Tree {
		if strings.ContainsAny(p, " ,–Ü") || len(b) == 0 {
			continue
		}
		local := filepath.Join(t.TempDir(), "want")
		if err := os.WriteFile(local, b, 0o600); err != nil {
			t.Fatal(err)
		}
		tool(t, "grub-fstest", m.Path, "cmp", "(loop0)/"+p, local)
		if n++; n == 3 {
			return
		}
	}
	if n == 0 {
		t.Error("no file for GRUB to read")
	}
}
