package nbd

import (
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"bootgraft/image"
	"bootgraft/image/imagetest/need"
)

// BenchmarkServe reads 1 GiB through the server, and through that of QEMU, with one
// and the same client.
func BenchmarkServe(b *testing.B) {
	copies, other := need.Tool(b, "nbdcopy"), need.Tool(b, "qemu-nbd")
	dir := b.TempDir()
	path := filepath.Join(dir, "disk")
	if out, err := exec.Command(need.Tool(b, "dd"), "if=/dev/urandom", "of="+path, "bs=1M", "count=1024").CombinedOutput(); err != nil {
		b.Fatalf("%v: %s", err, out)
	}
	src, err := image.Open(path, 512)
	if err != nil {
		b.Fatal(err)
	}
	defer src.Close()
	ours := served(b, newView(src))
	theirs := filepath.Join(dir, "q")
	c := exec.Command(other, "-r", "-t", "-e", "8", "-f", "raw", "-k", theirs, path)
	need.Ends(b, c)
	for range 500 {
		if _, err := os.Lstat(theirs); err == nil {
			break
		}
		time.Sleep(20 * time.Millisecond)
	}
	read := func(socket string) time.Duration {
		t := time.Now()
		if out, err := exec.Command(copies, "nbd+unix:///?socket="+socket, "null:").CombinedOutput(); err != nil {
			b.Fatalf("%v: %s", err, out)
		}
		return time.Since(t)
	}
	var mine, plain time.Duration
	for b.Loop() {
		plain += read(theirs)
		mine += read(ours)
	}
	b.SetBytes(1 << 30)
	b.ReportMetric(float64(mine)/float64(plain), "times-qemu-nbd")
}
