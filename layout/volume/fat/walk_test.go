package fat_test

import (
	"bytes"
	"fmt"
	"strings"
	"testing"
	"time"

	"golang.org/x/text/encoding/charmap"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout/volume/fat"
	"bootgraft/layout/volume/fat/format"
)

// F23: FG, "ChkSum", the algorithm; the values are arithmetic.
func TestChecksum(t *testing.T) {
	for name, want := range map[string]byte{
		"FOO     BAR": 0x53, "README  TXT": 0x73, "PRETTYBGBIG": 0x4C, "PICKLE  A  ": 0x32, "THEQUI~1FOX": 0x07, "TRACK01 MP3": 0x78,
	} {
		if got := fat.Checksum([]byte(name)); got != want {
			t.Errorf("%s: %02X, want %02X", name, got, want)
		}
	}
}

// slot is an entry made by hand.
func slot(name string, attr byte, set ...func(r *fat.Raw)) fat.Raw {
	var r fat.Raw
	copy(r[:11], name)
	r[11] = attr
	for _, f := range set {
		f(&r)
	}
	return r
}

// part is one part of a long name, made by hand.
func part(ord byte, text string, sum byte) fat.Raw {
	r := slot("", 0x0F)
	r[0], r[13] = ord, sum
	u := []rune(text + "\x00")
	for i, at := range []int{1, 3, 5, 7, 9, 14, 16, 18, 20, 22, 24, 28, 30} {
		r[at], r[at+1] = 0xFF, 0xFF
		if i < len(u) {
			r[at], r[at+1] = byte(u[i]), byte(u[i]>>8)
		}
	}
	return r
}

// names lists the root directory of a FAT16 volume with exactly these entries.
func names(t *testing.T, o fat.WalkOptions, slots ...fat.Raw) ([]string, *fat.Walk) {
	t.Helper()
	d := plain(t, small16)
	v, tab := loaded(t, d)
	var b []byte
	for _, s := range slots {
		b = append(b, s[:]...)
	}
	d.Put(v.RootSpan().Start, b)
	var out []string
	w := v.NewWalk(tab, o)
	for f := range w.Files() {
		out = append(out, f.Path)
	}
	return out, w
}

func caseByte(c byte) func(*fat.Raw) { return func(r *fat.Raw) { r[12] = c } }

// FG, "Long Directory Entries" and "FAT Directory Structure".
func TestNames(t *testing.T) {
	sum := fat.Checksum([]byte("LONGNA~1TXT"))
	file := slot("LONGNA~1TXT", 0x20)
	for _, c := range []struct {
		what    string
		slots   []fat.Raw
		want    string
		orphans int
		finding string
	}{
		{"short", []fat.Raw{slot("README  TXT", 0x20), slot("NOEXT      ", 0x20)}, "README.TXT|NOEXT", 0, ""},
		{"lower-case bits", []fat.Raw{slot("README  TXT", 0x20, caseByte(0x18)), slot("A       B  ", 0x20, caseByte(8))}, "readme.txt|a.B", 0, ""},
		{"E5 and codepage 437", []fat.Raw{slot("\x05BC     TXT", 0x20), slot("\x9ABUNG   TXT", 0x20)}, "σBC.TXT|ÜBUNG.TXT", 0, ""},
		{"long", []fat.Raw{part(0x42, "txt", sum), part(1, "Long name 12.", sum), file}, "Long name 12.txt", 0, ""},
		{"wrong sum", []fat.Raw{part(0x41, "Long", sum+1), file}, "LONGNA~1.TXT", 1, "fat-orphan-long-names"},
		{"wrong order", []fat.Raw{part(1, "Long name 12.", sum), part(0x42, "txt", sum), file}, "LONGNA~1.TXT", 2, "fat-orphan-long-names"},
		{"part missing", []fat.Raw{part(0x43, "x", sum), part(1, "Long name 12.", sum), file}, "LONGNA~1.TXT", 2, "fat-orphan-long-names"},
		{"other sum inside", []fat.Raw{part(0x42, "txt", sum), part(1, "Long name 12.", 9), file}, "LONGNA~1.TXT", 2, "fat-orphan-long-names"},
		{"not glued over a deleted one", []fat.Raw{part(0x41, "Long", sum), slot("\xE5", 0x20), file}, "LONGNA~1.TXT", 1, "fat-orphan-long-names"},
		{"begun twice", []fat.Raw{part(0x42, "txt", sum), part(0x41, "New", sum), file}, "New", 1, "fat-orphan-long-names"},
		{"too many parts", []fat.Raw{part(0x40|21, "txt", sum), file}, "LONGNA~1.TXT", 1, "fat-orphan-long-names"},
		{"slash", []fat.Raw{part(0x41, "../a/b", sum), file}, ".._a_b", 0, "fat-name-illegal"},
		{"dots", []fat.Raw{part(0x41, "..", sum), file}, "__", 0, "fat-name-illegal"},
		{"short slash and NUL", []fat.Raw{slot("A/B\x00    \x01  ", 0x20)}, "A_B_._", 0, "fat-name-illegal"},
		{"no name", []fat.Raw{slot("           ", 0x20)}, "_", 0, "fat-name-illegal"},
		{"end mark", []fat.Raw{slot("A          ", 0x20), slot("\x00", 0), slot("B          ", 0x20)}, "A", 0, ""},
		{"label is no file", []fat.Raw{slot("TRACKS     ", 0x08), slot("A          ", 0x20)}, "A", 0, ""},
	} {
		got, w := names(t, fat.WalkOptions{}, c.slots...)
		if strings.Join(got, "|") != c.want || w.Orphans != c.orphans || codes(w.Findings) != c.finding {
			t.Errorf("%s: %q, %d orphans, %s; want %q, %d, %s", c.what, got, w.Orphans, codes(w.Findings), c.want, c.orphans, c.finding)
		}
	}
	got, _ := names(t, fat.WalkOptions{CodePage: charmap.CodePage850}, slot("\x9D       TXT", 0x20))
	if got[0] != "Ø.TXT" {
		t.Errorf("codepage 850: %q", got)
	}
}

// FG, "Date and Time Formats": bytes for 17 May 2003, 12:34:56.
func TestTimes(t *testing.T) {
	r := slot("A          ", 0x20, func(r *fat.Raw) {
		copy(r[13:], []byte{150, 0x5C, 0x64, 0xB1, 0x2E, 0xB1, 0x2E})
		copy(r[22:], []byte{0x5C, 0x64, 0xB1, 0x2E})
	})
	want := time.Date(2003, 5, 17, 12, 34, 56, 0, time.UTC)
	if !r.Modified().Equal(want) || !r.Created().Equal(want.Add(1500*time.Millisecond)) || !r.Accessed().Equal(want.Truncate(24*time.Hour)) {
		t.Errorf("%v, %v, %v", r.Modified(), r.Created(), r.Accessed())
	}
	for _, b := range [][]byte{{0, 0, 0, 0}, {0, 0, 0xFF, 0xFF}, {0, 0xF8, 0xB1, 0x2E}} {
		copy(r[22:], b)
		if !r.Modified().IsZero() {
			t.Errorf("% x is the time %v", b, r.Modified())
		}
	}
}

// What other readers stumble over: high bits, a root elsewhere, a handle of
// extended attributes in bytes 20 and 21 on FAT16.
func TestOddButLegal(t *testing.T) {
	o := small32
	o.RootCluster = 7000
	d := specimen(t, o)
	v, tab := loaded(t, d)
	for c := uint32(2); c < 30; c++ {
		for i := range 2 {
			putEntry(d, v, i, c, tab.Entries[c]|0xA0000000)
		}
	}
	v, tab = loaded(t, d)
	if h := v.Check(tab); h.Total != 0 || h.Files != 6 {
		t.Errorf("high bits and root at 7000: %+v", h)
	}
	d = specimen(t, small16)
	p := &patient{t, d, mustRead(t, d)}
	p.Entry("A.BIN", 20, 0x34, 0x12)
	if p.File("A.BIN").Chain.Clusters != 4 {
		t.Error("a handle of extended attributes is taken for a cluster")
	}
}

func TestDeepDirectories(t *testing.T) {
	d := imagetest.New(70000, 512)
	v, err := format.New(d, small32)
	if err != nil {
		t.Fatal(err)
	}
	path := ""
	for range 60 {
		path = strings.TrimPrefix(path+"/"+strings.Repeat("deep ", 20)+"x", "/")
		if err := v.Mkdir(path, format.File{}); err != nil {
			t.Fatal(err)
		}
	}
	if err := v.Close(); err != nil {
		t.Fatal(err)
	}
	fv, tab := loaded(t, d)
	w := fv.NewWalk(tab, fat.WalkOptions{})
	n := 0
	for range w.Files() {
		n++
	}
	if n < 40 || n >= 60 || codes(w.Findings) != "fat-too-deep" {
		t.Errorf("%d directories, %s", n, codes(w.Findings))
	}
}

// Directory sectors that cannot be read hide what they name and nothing else.
func TestUnreadableDirectory(t *testing.T) {
	d := imagetest.New(disk.Sector(small16.Sectors), 512)
	w, err := format.New(d, small16)
	if err != nil {
		t.Fatal(err)
	}
	for i := range 64 {
		if err := w.Add(fmt.Sprintf("F%d", i), bytes.NewReader(nil), 0, format.File{}); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	bad := &imagetest.Faulty{Source: d, Bad: disk.Spans{{Start: mustRead(t, d).RootSpan().Start + 1, Count: 1}}}
	v, tab := loaded(t, bad)
	walk := v.NewWalk(tab, fat.WalkOptions{})
	var got []string
	for f := range walk.Files() {
		got = append(got, f.Name)
	}
	if len(got) != 48 || got[15] != "F15" || got[16] != "F32" || codes(walk.Findings) != "fat-directory-unreadable" {
		t.Errorf("%v, %s", got, codes(walk.Findings))
	}
}

// Which bytes of a file are missing, and that a consumer may stop at any time.
func TestMissing(t *testing.T) {
	d := specimen(t, small16)
	p := &patient{t, d, mustRead(t, d)}
	b := p.File("B.BIN")
	first := b.Extents()[0].Start
	src := image.NewKnown(d, disk.Spans{{Start: first + 1, Count: 2}, {Start: first + 23, Count: 100}}, nil)
	v, tab := loaded(t, src)
	for f := range v.NewWalk(tab, fat.WalkOptions{}).Files() {
		if f.Name != "B.BIN" {
			continue
		}
		if got := fmt.Sprint(v.Open(f).Missing()); got != "[{512 1024} {11776 512}]" {
			t.Errorf("missing %s", got)
		}
		break
	}
}

// A volume that is cut off: what lay behind the end is missing, and said so
// before anybody tries to read it.
func TestMissingBehindTheEnd(t *testing.T) {
	d := specimen(t, small16)
	p := &patient{t, d, mustRead(t, d)}
	b := p.File("B.BIN")
	cut := b.Extents()[0].Start + 5
	v, tab := loaded(t, image.NewWindow(d, disk.Span{Count: cut}))
	for f := range v.NewWalk(tab, fat.WalkOptions{}).Files() {
		if f.Name != "B.BIN" {
			continue
		}
		c := v.Open(f)
		if got := fmt.Sprint(c.Missing()); got != "[{2560 9728}]" {
			t.Errorf("missing %s", got)
		}
		if n, err := c.ReadAt(make([]byte, 2560), 0); n != 2560 || err != nil {
			t.Errorf("before the end: %d, %v", n, err)
		}
		if _, err := c.ReadAt(make([]byte, 1), 2560); err == nil {
			t.Error("behind the end: no error")
		}
	}
}

// FG, "FAT Directory Structure": the cluster is in bytes 26-27, on FAT32 with
// its high half in 20-21, of which the four high bits belong to no cluster.
func TestSetCluster(t *testing.T) {
	for _, c := range []struct {
		k        fat.Kind
		high, lo string
	}{
		{fat.FAT16, "cd ab", "78 56"}, {fat.FAT32, "34 a2", "78 56"},
	} {
		r := slot("A          ", 0x20, func(r *fat.Raw) { r[20], r[21] = 0xCD, 0xAB })
		was := r
		r.SetCluster(c.k, 0x02345678)
		if got := fmt.Sprintf("% x", r[20:22]); got != c.high {
			t.Errorf("%s: bytes 20 and 21 are %s, want %s", c.k, got, c.high)
		}
		if got := fmt.Sprintf("% x", r[26:28]); got != c.lo || !bytes.Equal(r[:20], was[:20]) || !bytes.Equal(r[28:], was[28:]) || r[22] != was[22] {
			t.Errorf("%s: % x", c.k, r)
		}
		if got := r.Cluster(c.k); got != 0x02345678&c.k.Mask() {
			t.Errorf("%s: cluster %X", c.k, got)
		}
	}
}

func TestReferences(t *testing.T) {
	o := small32
	o.RootCluster = 3000
	d := specimen(t, o)
	v, tab := loaded(t, d)
	p := &patient{t, d, v}
	r := v.References(tab)
	say := func(c uint32) string {
		var out []string
		for _, x := range r.To(c) {
			out = append(out, fmt.Sprint(x.Kind))
		}
		return strings.Join(out, " ")
	}
	for _, c := range []struct {
		cluster uint32
		want    []fat.RefKind
	}{
		{p.File("A.BIN").First, []fat.RefKind{fat.RefEntry}},
		{p.Nth("A.BIN", 2), []fat.RefKind{fat.RefTable}},
		{p.File("DIR").First, []fat.RefKind{fat.RefEntry, fat.RefSelf, fat.RefParent}},
		{3000, []fat.RefKind{fat.RefRoot}},
		{5000, nil},
	} {
		if want := strings.Trim(fmt.Sprint(c.want), "[]"); say(c.cluster) != want {
			t.Errorf("cluster %d is named by %q, want %q", c.cluster, say(c.cluster), want)
		}
	}
	if x := r.To(p.Nth("A.BIN", 2)); x[0].From != p.Nth("A.BIN", 1) {
		t.Errorf("%+v", x)
	}
	if x := r.To(p.File("A.BIN").First); x[0].Place != p.File("A.BIN").Place {
		t.Errorf("%+v", x)
	}
}

// BenchmarkWalk lists 100,000 files on a volume of 4 GB.
func BenchmarkWalk(b *testing.B) {
	d := imagetest.New(8<<20, 512)
	v, err := format.New(d, format.Options{Sectors: 8 << 20})
	if err != nil {
		b.Fatal(err)
	}
	for i := range 100 {
		dir := fmt.Sprintf("Session %d", i)
		if err := v.Mkdir(dir, format.File{}); err != nil {
			b.Fatal(err)
		}
		for j := range 1000 {
			if err := v.Add(fmt.Sprintf("%s/Recording number %d.wav", dir, j), bytes.NewReader([]byte{1}), 1, format.File{}); err != nil {
				b.Fatal(err)
			}
		}
	}
	if err := v.Close(); err != nil {
		b.Fatal(err)
	}
	fv, tab := loaded(b, d)
	b.Run("walk", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			n := 0
			for range fv.NewWalk(tab, fat.WalkOptions{}).Files() {
				n++
			}
			if n != 100_100 {
				b.Fatal(n)
			}
		}
	})
	b.Run("check", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			if h := fv.Check(tab); h.Total != 0 {
				b.Fatal(h.Problems[0])
			}
		}
	})
}
