package plan

import (
	"bytes"
	"flag"
	"io"
	"os"
	"slices"
	"strings"
	"testing"

	"bootgraft/image/disk"
	"bootgraft/image/imagetest/need"
	"bootgraft/layout"

	"pgregory.net/rapid"
)

const someDigest = "076a27c79e5ace2a3d47f9dd2e83e4ff6ea8872b3c2218f66c92b89b55f36560"

// small returns a plan in which every op, an Again, and every kind of list occurs.
func small(t testing.TB) *Plan {
	t.Helper()
	b := NewBuilder(Size{8192, 512}, Source{
		Size: Size{6000, 512}, Path: "old/Ünit <7>.img", Digest: someDigest,
		Meaning: disk.Spans{{Start: 0, Count: 1}, {Start: 63, Count: 2}},
	})
	b.Render(0, bytes.Repeat([]byte("first "), 256)[:1024], layout.WhyTable, layout.RankFirst)
	b.Copy(disk.Span{Start: 2, Count: 3000}, 2, layout.WhyUnchanged, layout.RankData)
	b.Leave(disk.Span{Start: 3002, Count: 1000}, layout.WhyVolumeFree, layout.RankData)
	b.Zero(disk.Span{Start: 4002, Count: 4189}, layout.WhyExcess, layout.RankData)
	b.Again(8191, disk.Span{Start: 1, Count: 1}, layout.WhyTableCopy, layout.RankCopy)
	b.Drop(Dropped{disk.Span{Start: 3002, Count: 2998}, layout.RoleTail, "tail \"x\"", "no room\n"})
	b.Find(disk.Warningf("tail-undecided", 5990, "the end may be a recording"),
		disk.Finding{Code: "table-names-old-size", Severity: disk.Refusal, Sector: disk.NoSector, Text: "ä", Accepted: true})
	p, err := b.Plan()
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func encoded(t testing.TB, p *Plan) []byte {
	t.Helper()
	var out bytes.Buffer
	if err := Encode(&out, p); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

func decoded(t testing.TB, file []byte) *Plan {
	t.Helper()
	p, err := Decode(bytes.NewReader(file), int64(len(file)))
	if err != nil {
		t.Fatalf("%v\n%s", err, file)
	}
	return p
}

func pool(t testing.TB, p *Plan) []byte {
	t.Helper()
	if p.Rendered == nil {
		return nil
	}
	b := make([]byte, p.Rendered.Size())
	if n, err := p.Rendered.ReadAt(b, 0); n < len(b) {
		t.Fatalf("read %d of %d rendered bytes: %v", n, len(b), err)
	}
	return b
}

// same tells whether two plans say the same, byte for byte.
func same(t testing.TB, a, b *Plan) bool {
	t.Helper()
	return a.Target == b.Target && a.Source.Size == b.Source.Size &&
		a.Source.Path == b.Source.Path && a.Source.Digest == b.Source.Digest &&
		slices.Equal(a.Source.Meaning, b.Source.Meaning) && slices.Equal(a.Pieces, b.Pieces) &&
		slices.Equal(a.Dropped, b.Dropped) && slices.Equal(a.Findings, b.Findings) &&
		bytes.Equal(pool(t, a), pool(t, b))
}

// draw makes a random valid plan.
func draw(t *rapid.T) *Plan {
	size := rapid.SampledFrom([]int{512, 1024, 2048, 4096}).Draw(t, "sector size")
	target := Size{disk.Sector(rapid.IntRange(1, 20000).Draw(t, "target")), size}
	source := drawSource(t, size)
	b := NewBuilder(target, source)
	edge := disk.Sector(Edge / size)
	var lastRendered disk.Span
	for b.At() < target.Sectors {
		at := b.At()
		s := disk.Span{Start: at, Count: disk.Sector(rapid.Int64Range(1, int64(target.Sectors-at)).Draw(t, "count"))}
		why := rapid.SampledFrom(layout.Reasons()).Draw(t, "why")
		rank := layout.Rank(rapid.IntRange(0, 2).Draw(t, "rank"))
		switch rapid.IntRange(0, 4).Draw(t, "op") {
		case 0:
			s.Count = min(s.Count, source.Sectors)
			b.Copy(s, disk.Sector(rapid.Int64Range(0, int64(source.Sectors-s.Count)).Draw(t, "from")), why, rank)
		case 1:
			n := min(int(s.Count), 1+200_000/size)
			data := rapid.Byte().Draw(t, "byte")
			b.Render(at, bytes.Repeat([]byte{data, data + 1}, n*size/2), why, rank)
			lastRendered = disk.Span{Start: at, Count: disk.Sector(n)}
		case 2:
			if at < edge || s.End() > target.Sectors-edge {
				b.Zero(s, why, rank)
			} else {
				b.Leave(s, why, rank)
			}
		case 3:
			lastRendered.Count = min(lastRendered.Count, s.Count)
			b.Again(at, lastRendered, why, rank)
		default:
			b.Zero(s, why, rank)
		}
	}
	for range rapid.IntRange(0, 3).Draw(t, "findings") {
		b.Find(disk.Finding{Code: "a-code", Severity: disk.Note, Text: rapid.String().Draw(t, "text"),
			Sector: disk.Sector(rapid.IntRange(-1, 100).Draw(t, "sector")), Accepted: rapid.Bool().Draw(t, "accepted")})
		b.Drop(Dropped{disk.Span{Count: 1}, layout.RoleGap, rapid.String().Draw(t, "name"), rapid.String().Draw(t, "why")})
	}
	p, err := b.Plan()
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func drawSource(t *rapid.T, size int) Source {
	n := rapid.IntRange(1, 20000).Draw(t, "source")
	var meaning disk.Spans
	for at := 0; rapid.Bool().Draw(t, "more meaning"); {
		start := at + rapid.IntRange(0, 50).Draw(t, "skip")
		count := rapid.IntRange(1, 50).Draw(t, "run")
		if start+count > n {
			break
		}
		meaning = append(meaning, disk.Span{Start: disk.Sector(start), Count: disk.Sector(count)})
		at = start + count + 1
	}
	return Source{Size{disk.Sector(n), size}, rapid.String().Draw(t, "path"), strings.Repeat("0a", 32), meaning}
}

// failing is a reader that breaks at one byte.
type failing struct {
	io.ReaderAt
	at  int64
	err error
}

func (f failing) ReadAt(p []byte, off int64) (int, error) {
	if off+int64(len(p)) > f.at {
		return 0, f.err
	}
	return f.ReaderAt.ReadAt(p, off)
}

// TestMain fixes the random suites: the same 40 plans in every run, and many
// new ones with BOOTGRAFT_LONG=1. What the command line says goes first.
func TestMain(m *testing.M) {
	settings := map[string]string{"rapid.checks": "40", "rapid.seed": "1"}
	if need.Long() {
		settings = map[string]string{"rapid.checks": "3000"}
	}
	flag.Parse()
	flag.Visit(func(f *flag.Flag) { delete(settings, f.Name) })
	for name, value := range settings {
		if err := flag.Set(name, value); err != nil {
			panic(err)
		}
	}
	os.Exit(m.Run())
}
