package resize_test

import (
	"fmt"
	"math/rand"
	"os"
	"testing"

	"bootgraft/image/disk"
	"bootgraft/image/imagetest/need"
	"bootgraft/layout/volume"
	"bootgraft/layout/volume/fat"
)

// Random volumes, shrunk and grown to random sizes and to their exact limits.
// The truth is the tree that was copied in; fsck.fat, mtools and GRUB judge.
func TestRandom(t *testing.T) {
	seeds := need.Seeds(12, 300)
	if testing.Short() {
		seeds = seeds[:len(seeds)/4]
	}
	for _, seed := range seeds {
		t.Run(fmt.Sprint(seed), func(t *testing.T) {
			t.Parallel()
			rng := rand.New(rand.NewSource(seed))
			recipe := randomRecipe(rng)
			t.Logf("%d sectors, mkfs.fat %s", recipe.Sectors, recipe.Args)
			m := makeVolume(t, recipe, rng)
			before := directories(t, m.V, m.T)
			limits := mustPlan(t, m.V, m.T, volume.Wishes{Mode: volume.Keep}).Limits

			m.smallest(t, limits)
			for _, w := range m.shrinks(rng, limits) {
				m.shrinkAndBack(t, w, before)
			}
			for _, w := range m.grows(rng, limits) {
				m.change(t, w, before)
			}
		})
	}
}

// smallest holds the limits to the sector.
func (m *made) smallest(t *testing.T, l volume.Limits) {
	t.Helper()
	per := m.V.PerSector
	if l.Smallest > l.SmallestUnmoved || l.SmallestUnmoved > m.V.Sectors {
		t.Fatalf("limits %+v of a volume of %d sectors", l, m.V.Sectors)
	}
	r := mustRefuse(t, m.V, m.T, volume.Wishes{Mode: volume.Shrink, Sectors: l.Smallest - per}, "volume-too-small")
	if r.Limits != l {
		t.Errorf("the refusal names %+v, want %+v", r.Limits, l)
	}
	still := mustPlan(t, m.V, m.T, volume.Wishes{Mode: volume.Shrink, Sectors: l.SmallestUnmoved, MoveNone: true})
	if still.MovedClusters != 0 || still.MovedFiles != 0 {
		t.Errorf("%d clusters move in the size that moves none", still.MovedClusters)
	}
	if l.Smallest < l.SmallestUnmoved {
		mustRefuse(t, m.V, m.T, volume.Wishes{Mode: volume.Shrink, Sectors: l.SmallestUnmoved - per, MoveNone: true}, "move-none")
	}
}

func (m *made) shrinks(rng *rand.Rand, l volume.Limits) []volume.Wishes {
	per := int64(m.V.PerSector)
	between := l.Smallest + disk.Sector(rng.Int63n(int64(m.V.Sectors-l.Smallest)/per+1)*per)
	slacks := []volume.Slack{volume.SlackMark, volume.SlackKeep, volume.SlackZero}
	return []volume.Wishes{
		{Mode: volume.Shrink, Sectors: l.Smallest, Slack: slacks[rng.Intn(3)]},
		{Room: between, Free: volume.FreeCopy}, // shrinks because it must
	}
}

func (m *made) grows(rng *rand.Rand, l volume.Limits) []volume.Wishes {
	much := m.V.Sectors + disk.Sector(rng.Int63n(int64(m.V.Sectors)))
	w := []volume.Wishes{{Mode: volume.Grow, Room: much, Align: []disk.Sector{0, 0, 64}[rng.Intn(3)] * m.V.PerSector}}
	if l.LargestInPlace < much {
		w = append(w, volume.Wishes{Mode: volume.Grow, Room: much, Sectors: l.LargestInPlace, Free: volume.FreeCopy})
	}
	return w
}

// change makes a card, lets everybody judge it and returns it.
func (m *made) change(t *testing.T, w volume.Wishes, before map[string][]byte) string {
	t.Helper()
	w.Accept = accept(disk.VolumeRestInUse) // the disk was full of noise before it was formatted
	r := mustPlan(t, m.V, m.T, w)
	path := apply(t, m.Src, r)
	st, err := os.Stat(path)
	if err != nil || st.Size() != int64(r.Sectors)*512 {
		t.Fatalf("a card of %v for %d sectors: %v", st, r.Sectors, err)
	}
	m.Judge(t, path)
	v, tab := open(t, path)
	if v.Sectors != r.Sectors || v.Kind != m.V.Kind || v.Label() != m.V.Label() || v.ID() != m.V.ID() {
		t.Errorf("%+v: a %s volume of %d sectors", w, v.Kind, v.Sectors)
	}
	sameDirectories(t, before, directories(t, v, tab))
	if w.Mode == volume.Grow {
		m.sameNumbers(t, tab)
	}
	if t.Failed() {
		t.Fatalf("with %+v: %+v", w, r)
	}
	return path
}

// sameNumbers proves that no cluster got another number.
func (m *made) sameNumbers(t *testing.T, tab *fat.Table) {
	t.Helper()
	for c := uint32(2); c <= m.T.Clusters+1; c++ {
		if m.T.Entries[c] != tab.Entries[c] {
			t.Fatalf("the entry of cluster %d was %#x and is %#x", c, m.T.Entries[c], tab.Entries[c])
		}
	}
}

// shrinkAndBack shrinks the volume and lets what came out grow to the old size.
func (m *made) shrinkAndBack(t *testing.T, w volume.Wishes, before map[string][]byte) {
	t.Helper()
	small := *m
	small.Path = m.change(t, w, before)
	small.Open(t)
	if w.Slack == volume.SlackMark {
		marked(t, small.V)
	}
	if m.V.Sectors == small.V.Sectors {
		return
	}
	r := mustPlan(t, small.V, small.T, volume.Wishes{Mode: volume.Grow, Room: m.V.Sectors, Accept: accept(disk.VolumeRestInUse)})
	if r.Shifted || r.Sectors != m.V.Sectors {
		t.Errorf("back from %d to %d sectors gives %d, shifted %v", small.V.Sectors, m.V.Sectors, r.Sectors, r.Shifted)
	}
	small.change(t, volume.Wishes{Mode: volume.Grow, Room: m.V.Sectors}, before)
}

// marked proves that every entry behind the last cluster is bad in each table.
func marked(t *testing.T, v *fat.Volume) {
	t.Helper()
	for i := range v.BPB.FATs {
		s := v.TableSpan(i)
		b := make([]byte, int64(s.Count)*512)
		if _, err := v.Source().ReadAt(b, int64(s.Start)*512); err != nil {
			t.Fatal(err)
		}
		end := min(int64(len(b))*8/int64(v.Kind), int64(v.Kind.Bad()))
		for c := int64(v.Clusters) + 2; c < end; c++ {
			if e := entryAt(v.Kind, b, c) & v.Kind.Mask(); e != v.Kind.Bad() { // F20
				t.Fatalf("entry %d of table %d is %#x and not marked bad", c, i, e)
			}
		}
	}
}

// entryAt reads one entry as FG, "FAT Data Structure", says.
func entryAt(k fat.Kind, b []byte, n int64) uint32 {
	switch k {
	case fat.FAT12:
		e := uint32(b[n+n/2]) | uint32(b[n+n/2+1])<<8
		if n%2 == 1 {
			return e >> 4
		}
		return e & 0xFFF
	case fat.FAT16:
		return uint32(b[2*n]) | uint32(b[2*n+1])<<8
	}
	return uint32(b[4*n]) | uint32(b[4*n+1])<<8 | uint32(b[4*n+2])<<16 | uint32(b[4*n+3])<<24
}
