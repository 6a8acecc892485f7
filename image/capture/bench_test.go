package capture

import (
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"testing"
	"time"

	"bootgraft/image"
	"bootgraft/image/capture/record"
	"bootgraft/image/imagetest/need"
)

// BenchmarkHealthy captures a healthy file of 1 GiB (BOOTGRAFT_BENCH_DIR says
// where), with three looks at the boot areas and the last pass, and gives the time as a ratio to dd bs=4M
// iflag=direct conv=fsync of the same file to the same disk.
func BenchmarkHealthy(b *testing.B) {
	dir := b.TempDir()
	if d := os.Getenv("BOOTGRAFT_BENCH_DIR"); d != "" {
		dir = d
	}
	path := filepath.Join(dir, "drive")
	dd := need.Tool(b, "dd")
	run := func(args ...string) time.Duration {
		t := time.Now()
		if out, err := exec.Command(dd, args...).CombinedOutput(); err != nil {
			b.Fatalf("dd: %v: %s", err, out)
		}
		return time.Since(t)
	}
	run("if=/dev/urandom", "of="+path, "bs=1M", "count=1024", "conv=fsync")
	defer os.Remove(path)
	var plain, ours time.Duration
	var before, after runtime.MemStats
	for i := 0; b.Loop(); i++ {
		plain += run("if="+path, "of="+path+".dd", "bs=4M", "iflag=direct", "conv=fsync")
		os.Remove(path + ".dd")
		src, err := image.Open(path, 512)
		if err != nil {
			b.Fatal(err)
		}
		img := path + "." + strconv.Itoa(i)
		runtime.ReadMemStats(&before)
		t := time.Now()
		r, err := Run(context.Background(), NewFileDrive(src), Target{Storage: Disk{Dir: dir}, Image: img}, Options{Hash: true}, nil, nil)
		ours += time.Since(t)
		runtime.ReadMemStats(&after)
		src.Close()
		os.Remove(img)
		os.Remove(img + record.Suffix)
		if err != nil || r.Stop != Done {
			b.Fatal(err, r)
		}
	}
	b.SetBytes(1 << 30)
	b.ReportMetric(float64(ours)/float64(plain), "times-dd")
	b.ReportMetric(float64(after.Sys-before.Sys)/(1<<20), "MiB-more")
	b.ReportMetric(float64(after.Sys)/(1<<20), "MiB-in-all")
}
