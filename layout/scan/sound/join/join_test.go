package join_test

import (
	"context"
	"encoding/binary"
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/image/imagetest/need"
	"bootgraft/layout/rule/candidate"
	"bootgraft/layout/scan/sound/join"
)

// layout is an invented disk whose songs lie in pieces, and what is true of it.
type invented struct {
	d     *imagetest.Disk
	sound disk.Spans
	songs [][]disk.Span
	rest  disk.Spans // where tables may lie
}

// plan says how an invented device keeps its songs.
type plan struct {
	kind  join.Kind
	enc   candidate.Encoding
	unit  disk.Sector
	first int64 // number of the first block
	songs int
	shape string // "pieces" of some blocks, or "shuffled": every block elsewhere
}

// lay lays out songs in blocks, in pieces of random length, with the table in sector 40.
func lay(t *testing.T, p plan, seed uint64) invented {
	t.Helper()
	const blocks, area = 3000, disk.Sector(640) // sectors in front of the songs
	r := rand.New(rand.NewPCG(seed, 9))
	v := invented{d: imagetest.New(area+blocks*p.unit+500, 512)}
	noise := make([]byte, 20*512) // the program of the device
	for i := range noise {
		noise[i] = byte(r.IntN(16) * r.IntN(16))
	}
	v.d.Put(2, noise)
	// The pieces of all songs, in the order of the disk: each belongs to one of them.
	songs := make([][]int64, p.songs)
	var chunks [][]int64
	at := int64(0)
	for at < blocks-400 {
		n := int64(1)
		if p.shape == "pieces" {
			n = 1 + r.Int64N(60)
		}
		var c []int64
		for range n {
			c = append(c, at)
			at++
		}
		chunks = append(chunks, c)
		if r.IntN(12) == 0 {
			at += 1 + r.Int64N(4) // free
		}
	}
	r.Shuffle(len(chunks), func(i, j int) { chunks[i], chunks[j] = chunks[j], chunks[i] })
	for i, c := range chunks {
		songs[i%p.songs] = append(songs[i%p.songs], c...)
	}
	for _, s := range songs {
		var pieces []disk.Span
		for _, b := range s {
			q := disk.Span{Start: area + disk.Sector(b)*p.unit, Count: p.unit}
			v.sound = v.sound.Union(disk.Spans{q})
			if n := len(pieces); n > 0 && pieces[n-1].End() == q.Start {
				pieces[n-1].Count += q.Count
			} else {
				pieces = append(pieces, q)
			}
		}
		v.songs = append(v.songs, pieces)
	}
	v.rest = disk.Spans{{Count: area}}
	v.d.Put(40, table(t, p, songs))
	return v
}

// table writes down where the songs lie.
func table(t *testing.T, p plan, songs [][]int64) []byte {
	form, err := candidate.FormOf(p.enc)
	if err != nil {
		t.Fatal(err)
	}
	var out []byte
	put := func(n int64) {
		b := make([]byte, form.Width)
		if err := form.Encode(b, uint64(n)); err != nil {
			t.Fatal(err)
		}
		out = append(out, b...)
	}
	switch p.kind {
	case join.List:
		for i, s := range songs {
			out = append(out, fmt.Sprintf("SONG%04d", i)...)
			out = append(out, make([]byte, 8)...)
			for _, b := range s {
				put(b + p.first)
			}
			put(0)
			out = append(out, make([]byte, (512-len(out)%512)%512)...)
		}
	case join.Extents:
		for i, s := range songs {
			out = append(out, fmt.Sprintf("SONG%04d", i)...)
			out = append(out, make([]byte, 8)...)
			for j := 0; j < len(s); {
				k := j + 1
				for k < len(s) && s[k] == s[k-1]+1 {
					k++
				}
				put(s[j] + p.first)
				put(int64(k - j))
				j = k
			}
			put(0)
			put(0)
			out = append(out, make([]byte, (512-len(out)%512)%512)...)
		}
	case join.Next:
		next := make([]int64, 3100)
		for _, s := range songs {
			for j, b := range s {
				next[b+p.first] = 1<<(8*form.Width) - 1
				if j+1 < len(s) {
					next[b+p.first] = s[j+1] + p.first
				}
			}
		}
		for _, n := range next {
			put(n)
		}
	}
	return out
}

// loud is a disk whose sound is nowhere blank.
type loud struct {
	*imagetest.Disk
	sound disk.Spans
}

func (l loud) ReadAt(p []byte, off int64) (int, error) {
	n, err := l.Disk.ReadAt(p, off)
	if l.sound.Holds(disk.Sector(off / 512)) {
		for i := range p[:n] {
			p[i] = 0x55 + byte(i)
		}
	}
	return n, err
}

func find(t *testing.T, v invented) *join.Found {
	t.Helper()
	f, err := join.Find(context.Background(), loud{v.d, v.sound}, v.sound, v.rest)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// right counts the sectors of songs that were put together as they are.
func right(f *join.Found, v invented) (ok, all disk.Sector) {
	for _, want := range v.songs {
		n := disk.Sector(0)
		for _, q := range want {
			n += q.Count
		}
		all += n
		for _, s := range f.Songs {
			if slices.Equal(s.Pieces, want) {
				ok += n
			}
		}
	}
	return ok, all
}

// TestTablesJoin: songs in pieces are put together by whatever table names the pieces.
func TestTablesJoin(t *testing.T) {
	for _, p := range []plan{
		{join.List, "le16", 24, 1, 7, "pieces"}, {join.List, "be32", 8, 80, 5, "pieces"}, {join.List, "be16", 64, 1, 3, "shuffled"},
		{join.List, "le32", 16, 40, 4, "shuffled"},
		{join.Extents, "be32", 1, 640, 6, "pieces"}, {join.Extents, "le16", 32, 20, 4, "pieces"}, {join.Extents, "le32", 24, 1, 5, "pieces"},
		{join.Next, "le16", 64, 2, 5, "pieces"}, {join.Next, "be32", 16, 2, 9, "pieces"}, {join.Next, "be16", 24, 1, 3, "pieces"},
	} {
		t.Run(fmt.Sprintf("%s-%s-%d-%s", p.kind, p.enc, p.unit, p.shape), func(t *testing.T) {
			v := lay(t, p, 5)
			f := find(t, v)
			ok, all := right(f, v)
			if ok != all || len(f.Songs) != len(v.songs) {
				t.Errorf("%d of %d sectors in %d songs of %d", ok, all, len(f.Songs), len(v.songs))
				for _, x := range f.Tables {
					t.Log(x.Text(), x.Pieces)
				}
			}
		})
	}
}

// TestSizesOfABlockThatFit: a table that takes blocks for larger or smaller than they are
// has said that where they lie is not certain.
func TestSizesOfABlockThatFit(t *testing.T) {
	wrong, doubted, tables := 0, 0, 0
	for _, seed := range need.Seeds(4, 60) {
		for _, p := range []plan{
			{join.List, "le16", 24, 1, 7, "pieces"}, {join.List, "be16", 64, 1, 3, "shuffled"},
			{join.Extents, "le32", 24, 1, 5, "pieces"}, {join.Next, "le16", 64, 2, 5, "pieces"},
			{join.Next, "be16", 24, 1, 3, "pieces"}, {join.Extents, "le16", 32, 20, 4, "pieces"},
		} {
			v := lay(t, p, 100+uint64(seed))
			f := find(t, v)
			tables += len(f.Tables)
			for _, x := range f.Tables {
				if !x.Placed() {
					doubted++
				}
			}
			for _, s := range f.Songs {
				x := &f.Tables[s.Table]
				if x.Unit != p.unit {
					wrong++
					if x.Placed() {
						t.Errorf("seed %d, %v: blocks of %d taken for %d, without a doubt: %s", seed, p, p.unit, x.Unit, x.Text())
					}
					break
				}
			}
		}
	}
	t.Logf("%d of %d disks in blocks of a wrong size; a doubt told of %d tables", wrong, tables, doubted)
}

// TestNothingSaysIt: without a table, or with numbers that fit by chance, pieces stay
// pieces. Of forty such disks chance may fool one (candidate.Bar).
func TestNothingSaysIt(t *testing.T) {
	fooled, all := 0, 0
	for _, seed := range need.Seeds(1, 200) {
		for _, name := range []string{"nothing", "random", "small", "pointers"} {
			v := lay(t, plan{join.List, "le32", 16, 1, 4, "pieces"}, uint64(seed))
			r := rand.New(rand.NewPCG(uint64(seed), 77))
			b := make([]byte, 300*512)
			for i := 0; i+4 <= len(b); i += 4 {
				switch name {
				case "random":
					binary.LittleEndian.PutUint32(b[i:], r.Uint32())
				case "small":
					binary.LittleEndian.PutUint32(b[i:], r.Uint32N(3000))
				case "pointers": // into the sound, but nowhere where a piece begins
					binary.LittleEndian.PutUint32(b[i:], 640+r.Uint32N(40_000))
				}
			}
			v.d.Put(40, b)
			all++
			if f := find(t, v); len(f.Songs) > 0 {
				fooled++
				t.Logf("%s, seed %d: %s", name, seed, f.Tables[0].Text())
			}
		}
	}
	if fooled > all/40 {
		t.Errorf("%d of %d disks fooled it", fooled, all)
	}
}

// TestRecordsWithNames: records with a name each are a song each, however well they fit.
func TestRecordsWithNames(t *testing.T) {
	v := invented{d: imagetest.New(200_000, 512), rest: disk.Spans{{Count: 640}}}
	b := make([]byte, 32*60)
	at := uint32(640)
	for i := range 60 {
		n := uint32(100 + i*37%900)
		copy(b[32*i:], fmt.Sprintf("TAKE %03d", i))
		binary.BigEndian.PutUint32(b[32*i+16:], at)
		binary.BigEndian.PutUint32(b[32*i+20:], n)
		v.sound = v.sound.Add(disk.Span{Start: disk.Sector(at), Count: disk.Sector(n)})
		at += n
	}
	v.d.Put(40, b)
	f := find(t, v)
	for _, s := range f.Songs {
		if len(s.Pieces) > 1 {
			t.Errorf("takes with names are put together: %v", s.Pieces)
		}
	}
	if len(f.Songs) < 59 {
		t.Errorf("%d of 60 takes are named", len(f.Songs))
	}
}

// TestHostileTables: numbers at their bounds, tables that loop, and 8 MiB of them.
func TestHostileTables(t *testing.T) {
	for name, fill := range map[string]func(i int) uint32{
		"ones": func(int) uint32 { return 1 }, "all": func(int) uint32 { return 1<<32 - 1 }, "high": func(int) uint32 { return 1<<31 - 1 },
		"ramp": func(i int) uint32 { return uint32(i) }, "back": func(i int) uint32 { return uint32(1<<21 - i) },
		"pairs": func(i int) uint32 { return uint32(i%2 + i*3) },
		"loop":  func(i int) uint32 { return uint32(i+1) % 5000 },
	} {
		d := imagetest.New(40<<20, 512)
		b := make([]byte, 16<<10)
		for i := 0; i < len(b); i += 4 {
			binary.LittleEndian.PutUint32(b[i:], fill(i/4))
		}
		d.Put(1, b)
		v := invented{d: d, sound: disk.Spans{{Start: 5000, Count: 30 << 20}}, rest: disk.Spans{{Count: 5000}}}
		for _, s := range find(t, v).Songs {
			for _, q := range s.Pieces {
				if q.Empty() || q.Start < 0 || q.End() > image.Sectors(d) {
					t.Errorf("%s: piece %v", name, q)
				}
			}
		}
	}
}
