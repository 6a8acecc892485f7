package safety

import (
	"errors"
	"os"
	"runtime"
	"testing"
	"time"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/plan"
	"bootgraft/safety/blockdev"
	"bootgraft/safety/receipt"
)

// Writing to a real block device (loop(4)) as a ratio to dd with direct I/O on
// the same device, in turn, the best of each. Ours reads the whole card back;
// that part is told apart.
func BenchmarkWriteDevice(b *testing.B) {
	dir := b.TempDir()
	src, card, pieces := benchSource(b, dir)
	back := dir + "/back.img"
	if err := errors.Join(os.WriteFile(back, nil, 0o600), os.Truncate(back, benchSize)); err != nil {
		b.Fatal(err)
	}
	node := attach(b, back)
	var ours, data, dd best
	var peak uint64
	b.SetBytes(benchSize)
	for b.Loop() {
		dd.tool(b, "dd", "if="+src, "of="+node, "bs=4M", "oflag=direct", "conv=fsync", "status=none")
		target, err := blockdev.OpenTarget(node)
		if err != nil {
			b.Fatal(err)
		}
		receiptPath := dir + "/receipt"
		os.Remove(receiptPath)
		start := time.Now()
		req := Request{Kind: receipt.Write, Disk: plan.Size{Sectors: benchSize / sector, SectorSize: sector}, Card: card, Pieces: pieces, Receipt: receiptPath}
		req.Progress = func(s receipt.Stage, done, total int64) {
			if s == receipt.StageData && done == total {
				data.since(start)
			}
			var m runtime.MemStats
			runtime.ReadMemStats(&m)
			peak = max(peak, m.HeapInuse)
		}
		if _, err := perform(target, req); err != nil {
			b.Fatal(err)
		}
		ours.since(start)
		target.Close()
	}
	b.ReportMetric(float64(data)/float64(dd), "x-dd")
	b.ReportMetric(float64(ours)/float64(dd), "x-dd-with-read-back")
	b.ReportMetric(float64(peak)/(1<<20), "MiB-heap")
}

func attach(b *testing.B, file string) string {
	b.Helper()
	t := &bench{dir: b.TempDir(), TB: b}
	return t.loop(file)
}

// The memory that writing takes does not grow with the card.
func TestDeviceMemory(t *testing.T) {
	b := newBench(t)
	put(t, b.path("card.img"), nil)
	const size = 400 << 20
	do(t, os.Truncate(b.path("card.img"), size))
	target := b.target(b.loop(b.path("card.img")))
	card := wholeCopy(nil)
	card.Source = image.NewKnown(zeroDisk(size), nil, nil)
	card.pieces = []layout.Piece{{Span: disk.Span{Count: size / sector}, Op: layout.Copy, Why: layout.WhyUnchanged}}
	var peak uint64
	req := Request{Kind: receipt.Write, Disk: plan.Size{Sectors: size / sector, SectorSize: sector}, Card: card, Pieces: card.pieces,
		Receipt: b.path("receipt"), KeepAll: true}
	steps := 0
	req.Progress = func(receipt.Stage, int64, int64) {
		if steps++; steps%32 == 0 {
			var m runtime.MemStats
			runtime.ReadMemStats(&m)
			peak = max(peak, m.HeapInuse)
		}
	}
	_, err := perform(target, req)
	do(t, err)
	t.Logf("at most %d MiB", peak>>20)
	if peak > 64<<20 {
		t.Errorf("%d MiB in use", peak>>20)
	}
}

// zeroDisk is a source of bytes that are zeros and yet have to be read.
type zeroDisk int64

func (z zeroDisk) Size() int64   { return int64(z) }
func (zeroDisk) SectorSize() int { return sector }
func (zeroDisk) ReadAt(p []byte, _ int64) (int, error) {
	clear(p)
	return len(p), nil
}
