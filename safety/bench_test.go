package safety

import (
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"bootgraft/image"
	"bootgraft/image/imagetest/need"
	"bootgraft/layout"
)

const benchSize = 1 << 30

// benchSource makes a fully used image and reads it once, so that every run
// finds it in memory.
func benchSource(b *testing.B, dir string) (path string, card *image.File, pieces []layout.Piece) {
	b.Helper()
	path = filepath.Join(dir, "source.img")
	f, err := os.Create(path)
	if err != nil {
		b.Fatal(err)
	}
	part := patterned(1, 64<<20/sector)
	for range benchSize / len(part) {
		if _, err := f.Write(part); err != nil {
			b.Fatal(err)
		}
	}
	if err := f.Sync(); err != nil {
		b.Fatal(err)
	}
	f.Close()
	card, err = image.Open(path, sector)
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { card.Close() })
	return path, card, []layout.Piece{{Span: image.Whole(card), Op: layout.Copy, Why: layout.WhyUnchanged}}
}

// best keeps the fastest of several runs, which other work on the machine
// disturbs least.
type best time.Duration

func (t *best) since(start time.Time) {
	if d := best(time.Since(start)); *t == 0 || d < *t {
		*t = d
	}
}

func (t *best) tool(b *testing.B, name string, args ...string) {
	b.Helper()
	cmd := exec.Command(need.Tool(b, name), args...)
	start := time.Now()
	if out, err := cmd.CombinedOutput(); err != nil {
		b.Fatalf("%s: %v\n%s", name, err, out)
	}
	t.since(start)
}

// Writing with hash and flush, as a ratio to dd, and to dd and then sha256sum,
// in turn in the same run, the best of each.
func BenchmarkWriteImage(b *testing.B) {
	dir := b.TempDir()
	src, card, pieces := benchSource(b, dir)
	var ours, dd, sha best
	b.SetBytes(benchSize)
	for b.Loop() {
		out := filepath.Join(dir, "dd.img")
		dd.tool(b, "dd", "if="+src, "of="+out, "bs=4M", "conv=fsync", "status=none")
		sha.tool(b, "sha256sum", out)
		os.Remove(out)
		start := time.Now()
		out = filepath.Join(dir, "ours.img")
		if _, err := WriteImage(context.Background(), out, card, pieces, Options{Hash: true}); err != nil {
			b.Fatal(err)
		}
		ours.since(start)
		os.Remove(out)
	}
	b.ReportMetric(float64(ours)/float64(dd), "x-dd")
	b.ReportMetric(float64(ours)/float64(dd+sha), "x-dd+sha256sum")
	b.ReportMetric(time.Duration(ours).Seconds(), "s-best")
}

// Verifying, as a ratio to cmp, in turn in the same run, the best of each.
func BenchmarkVerify(b *testing.B) {
	dir := b.TempDir()
	src, card, pieces := benchSource(b, dir)
	out := filepath.Join(dir, "card.img")
	if _, err := WriteImage(context.Background(), out, card, pieces, Options{}); err != nil {
		b.Fatal(err)
	}
	target, err := image.Open(out, sector)
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { target.Close() })
	for _, hash := range []bool{false, true} {
		name := "plain"
		if hash {
			name = "hash"
		}
		b.Run(name, func(b *testing.B) {
			var ours, cmp best
			b.SetBytes(benchSize)
			for b.Loop() {
				cmp.tool(b, "cmp", src, out)
				start := time.Now()
				c, err := Verify(context.Background(), card, pieces, target, VerifyOptions{Limit: 100, Hash: hash})
				if err != nil || c.Unequal > 0 {
					b.Fatal(c, err)
				}
				ours.since(start)
			}
			b.ReportMetric(float64(ours)/float64(cmp), "x-cmp")
			b.ReportMetric(time.Duration(ours).Seconds(), "s-best")
		})
	}
}

// 500 GB of which 200 places hold 64 KiB each: write and verify together, as
// a ratio to cp, which knows holes as well.
func BenchmarkSparse500GB(b *testing.B) {
	const size = 976_773_168 * sector
	dir := b.TempDir()
	src := filepath.Join(dir, "source.img")
	f, err := os.Create(src)
	if err != nil {
		b.Fatal(err)
	}
	for i := range int64(200) {
		if _, err := f.WriteAt(patterned(i, 128), i*(size/200)/4096*4096); err != nil {
			b.Fatal(err)
		}
	}
	if err := f.Truncate(size); err != nil {
		b.Fatal(err)
	}
	f.Close()
	card, err := image.Open(src, sector)
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { card.Close() })
	pieces := []layout.Piece{{Span: image.Whole(card), Op: layout.Copy, Why: layout.WhyUnchanged}}
	var ours, cp best
	for b.Loop() {
		out := filepath.Join(dir, "card.img")
		cp.tool(b, "cp", "--sparse=always", src, out)
		start := time.Now()
		if _, err := WriteImage(context.Background(), out, card, pieces, Options{Replace: true}); err != nil {
			b.Fatal(err)
		}
		target, err := image.Open(out, sector)
		if err != nil {
			b.Fatal(err)
		}
		c, err := Verify(context.Background(), card, pieces, target, VerifyOptions{})
		if err != nil || c.Unequal > 0 {
			b.Fatal(c, err)
		}
		ours.since(start)
		target.Close()
	}
	b.ReportMetric(float64(ours)/float64(cp), "x-cp")
	b.ReportMetric(time.Duration(ours).Seconds(), "s-best")
}
