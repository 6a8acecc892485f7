package resize_test

import (
	"bytes"
	"encoding/binary"
	"errors"
	"os"
	"path/filepath"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/plan"
	"bootgraft/layout/plan/card"
	"bootgraft/layout/volume"
	"bootgraft/layout/volume/fat"
	"bootgraft/layout/volume/fat/resize"
)

const edge = 2048 // sectors of 512 bytes before and after the volume on its card

// planned puts the result between two edges on a card and proves the plan.
func planned(t testing.TB, src image.Source, r *resize.Result) *plan.Plan {
	t.Helper()
	size := src.SectorSize()
	var meaning disk.Spans // that is known, as of a whole disk
	for _, known := range image.Unknown(src, image.Whole(src)).Outside(image.Whole(src)) {
		meaning = meaning.Union(r.Meaning.Within(known))
	}
	digest, err := plan.MeaningDigest(src, size, meaning)
	if err != nil {
		t.Fatal(err)
	}
	b := plan.NewBuilder(plan.Size{Sectors: r.Sectors + 2*edge, SectorSize: size},
		plan.Source{Size: plan.Size{Sectors: image.Sectors(src), SectorSize: size}, Digest: digest, Meaning: meaning})
	b.Zero(disk.Span{Count: edge}, layout.WhyExcess, layout.RankData)
	if err := r.Emit(volume.Placed{To: b, Card: edge, Open: disk.Span{Start: edge, Count: r.Sectors}}); err != nil {
		t.Fatal(err)
	}
	b.Zero(disk.Span{Start: edge + r.Sectors, Count: edge}, layout.WhyExcess, layout.RankData)
	p, err := b.Plan()
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// apply writes the volume of the planned card into a file in which what is
// left as it is holds noise.
func apply(t testing.TB, src image.Source, r *resize.Result) string {
	t.Helper()
	p := planned(t, src, r)
	c, err := card.New(p, src)
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "card.img")
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	size := int64(src.SectorSize())
	for _, q := range p.Pieces {
		if q.Start < edge || q.Start >= edge+r.Sectors {
			continue
		}
		b := bytes.Repeat([]byte{0xA5}, int(int64(q.Count)*size))
		if q.Op != layout.Leave {
			if err := image.ReadFull(c, b, int64(q.Start)*size); err != nil {
				t.Fatal(err)
			}
		}
		if _, err := f.WriteAt(b, int64(q.Start-edge)*size); err != nil {
			t.Fatal(err)
		}
	}
	return path
}

func mustPlan(t testing.TB, v *fat.Volume, tab *fat.Table, w volume.Wishes) *resize.Result {
	t.Helper()
	r, err := resize.Plan(v, tab, nil, w)
	if err != nil {
		t.Fatalf("%+v: %v", w, err)
	}
	return r
}

func mustRefuse(t testing.TB, v *fat.Volume, tab *fat.Table, w volume.Wishes, code string) *volume.Refused {
	t.Helper()
	r, err := resize.Plan(v, tab, nil, w)
	var refused *volume.Refused
	if !errors.As(err, &refused) {
		t.Fatalf("%+v: %v, %v; want a refusal %s", w, r, err, code)
	}
	for _, f := range append(refused.Why, refused.Need...) {
		if string(f.Code) == code {
			return refused
		}
	}
	t.Fatalf("%+v: %v; want the code %s", w, err, code)
	return nil
}

func hasCode(fs []disk.Finding, code string) bool {
	for _, f := range fs {
		if string(f.Code) == code {
			return true
		}
	}
	return false
}

// directories returns the bytes of every directory by its path, with the
// cluster numbers of entries in use taken out.
func directories(t testing.TB, v *fat.Volume, tab *fat.Table) map[string][]byte {
	t.Helper()
	out := map[string][]byte{}
	take := func(path string, where []disk.Span) {
		var all []byte
		for _, s := range where {
			b, err := image.ReadSectors(v.Source(), s)
			if err != nil {
				t.Fatal(err)
			}
			all = append(all, b...)
		}
		for e := all; len(e) >= 32 && e[0] != 0; e = e[32:] {
			if e[0] != 0xE5 && e[11] != 0x0F {
				binary.LittleEndian.PutUint16(e[26:], 0)
				if v.Kind == fat.FAT32 {
					binary.LittleEndian.PutUint16(e[20:], 0)
				}
			}
		}
		out[path] = all
	}
	take("", []disk.Span{v.RootSpan()})
	if v.Kind == fat.FAT32 {
		take("", v.Extents(tab.Follow(v.BPB.RootCluster).Runs))
	}
	for f := range v.NewWalk(tab, fat.WalkOptions{}).Files() {
		if f.Dir {
			take(f.Path, f.Extents())
		}
	}
	return out
}

func sameDirectories(t testing.TB, a, b map[string][]byte) {
	t.Helper()
	if len(a) != len(b) {
		t.Errorf("%d directories instead of %d", len(b), len(a))
	}
	for p := range a {
		if !bytes.Equal(a[p], b[p]) {
			t.Errorf("directory /%s differs in more than cluster numbers", p)
		}
	}
}
