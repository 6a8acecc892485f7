package nbd

import (
	"bytes"
	"context"
	"encoding/binary"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/image/imagetest/need"
)

// noise is a disk of invented content.
func noise(sectors disk.Sector) *imagetest.Disk {
	b := make([]byte, sectors*512)
	rand.NewChaCha8([32]byte{7}).Read(b)
	return imagetest.NewBytes(b, 512)
}

// served serves a view on a socket until the test ends.
func served(t testing.TB, v *view) (socket string) {
	t.Helper()
	socket = filepath.Join(t.TempDir(), "s")
	l, err := net.Listen("unix", socket)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error)
	go func() { done <- (&server{View: v}).Serve(ctx, l) }()
	t.Cleanup(func() {
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
	return socket
}

func runs(t testing.TB, name string, args ...string) string {
	t.Helper()
	out, err := exec.Command(need.Tool(t, name), args...).CombinedOutput()
	if err != nil {
		t.Fatalf("%s %q: %v\n%s", name, args, err, out)
	}
	return string(out)
}

func whole(t testing.TB, src image.Source) []byte {
	t.Helper()
	b := make([]byte, src.Size())
	if err := image.ReadFull(src, b, 0); err != nil {
		t.Fatal(err)
	}
	return b
}

// TestClientsOfOthersReadTheSameBytes: qemu-img, and the tools of libnbd, read the
// disk; an odd number of sectors has no loss at its end.
func TestClientsOfOthersReadTheSameBytes(t *testing.T) {
	t.Parallel()
	d := noise(20_001)
	want := whole(t, d)
	socket := served(t, newView(d))
	out := filepath.Join(t.TempDir(), "out")
	t.Run("qemu-img", func(t *testing.T) {
		runs(t, "qemu-img", "convert", "-f", "raw", "-O", "raw", "nbd+unix:///?socket="+socket, out)
		if got, err := os.ReadFile(out); err != nil || !bytes.Equal(got, want) {
			t.Errorf("%d bytes, %v", len(got), err)
		}
		info := runs(t, "qemu-img", "info", "--output=json", "nbd+unix:///any-name?socket="+socket)
		if !strings.Contains(info, fmt.Sprintf(`"virtual-size": %d`, len(want))) {
			t.Error(info)
		}
	})
	t.Run("nbdinfo", func(t *testing.T) {
		info := runs(t, "nbdinfo", "--json", "nbd+unix:///?socket="+socket)
		for _, w := range []string{fmt.Sprintf(`"export-size": %d`, len(want)), `"is_read_only": true`, `"can_multi_conn": true`, `"block_size_preferred": 4096`} {
			if !strings.Contains(info, w) {
				t.Errorf("%s is not said:\n%s", w, info)
			}
		}
		runs(t, "nbdinfo", "--list", "nbd+unix:///?socket="+socket)
	})
	t.Run("nbdcopy", func(t *testing.T) {
		runs(t, "nbdcopy", "nbd+unix:///?socket="+socket, out)
		if got, err := os.ReadFile(out); err != nil || !bytes.Equal(got, want) {
			t.Errorf("%d bytes, %v", len(got), err)
		}
	})
}

// TestWhatIsWrittenStaysInMemory: a client of others writes, and reads it back; the
// source below is as it was.
func TestWhatIsWrittenStaysInMemory(t *testing.T) {
	t.Parallel()
	d := noise(8192)
	was := whole(t, d)
	s := newScratch(d, 8<<20)
	socket := served(t, newScratchView(s))
	in := filepath.Join(t.TempDir(), "in")
	b := make([]byte, len(was))
	rand.NewChaCha8([32]byte{9}).Read(b[1<<20 : 3<<20])
	if err := os.WriteFile(in, b, 0o600); err != nil {
		t.Fatal(err)
	}
	runs(t, "nbdcopy", in, "nbd+unix:///?socket="+socket)
	if !bytes.Equal(whole(t, s), b) {
		t.Error("it does not read what was written")
	}
	if !bytes.Equal(whole(t, d), was) {
		t.Error("the source was written to")
	}
}

// plain is a client that shares nothing with the server but the published numbers.
type plain struct {
	net.Conn
	t testing.TB
}

func dial(t testing.TB, socket string) *plain {
	t.Helper()
	c, err := net.Dial("unix", socket)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	c.SetDeadline(time.Now().Add(30 * time.Second))
	return &plain{c, t}
}

func (c *plain) sends(parts ...any) {
	c.t.Helper()
	for _, p := range parts {
		if err := binary.Write(c, binary.BigEndian, p); err != nil {
			c.t.Fatal(err)
		}
	}
}

func (c *plain) gets(n int) []byte {
	c.t.Helper()
	b := make([]byte, n)
	if _, err := io.ReadFull(c, b); err != nil {
		c.t.Fatal(err)
	}
	return b
}

// left ends the connection and waits until the server has ended it too.
func (c *plain) left() {
	c.Conn.(*net.UnixConn).CloseWrite()
	io.Copy(io.Discard, c)
	c.Close()
}

// begins negotiates as the oldest clients do.
func (c *plain) begins() {
	c.t.Helper()
	if hello := c.gets(18); string(hello[:16]) != "NBDMAGICIHAVEOPT" || hello[17] != 3 {
		c.t.Fatalf("% x", hello)
	}
	c.sends(uint32(3), []byte("IHAVEOPT"), uint32(1), uint32(0))
	c.gets(10)
}

// asks sends one request and returns the error of the answer.
func (c *plain) asks(kind uint16, off uint64, n uint32, data []byte) uint32 {
	c.t.Helper()
	c.sends(uint32(0x25609513), uint16(0), kind, uint64(77), off, n, data)
	b := c.gets(16)
	if binary.BigEndian.Uint32(b) != 0x67446698 || binary.BigEndian.Uint64(b[8:]) != 77 {
		c.t.Fatalf("answer % x", b)
	}
	return binary.BigEndian.Uint32(b[4:])
}

// TestWhatIsNotKnownIsNoData: sectors that a plan leaves alone read as zeros and are
// counted; what the source does not know is an error and is named.
func TestWhatIsNotKnownIsNoData(t *testing.T) {
	t.Parallel()
	d := noise(1000)
	want := whole(t, d)
	left, missing := disk.Span{Start: 100, Count: 50}, disk.Span{Start: 400, Count: 3}
	v := newView(image.NewKnown(d, disk.NewSpans(left, missing), func(x disk.Sector) image.State {
		if left.Holds(x) {
			return image.Left
		}
		return image.Missing
	}))
	c := dial(t, served(t, v))
	c.begins()
	if e := c.asks(0, 90*512, 100*512, nil); e != 0 {
		t.Fatalf("error %d", e)
	}
	got := c.gets(100 * 512)
	clear(want[100*512 : 150*512])
	if !bytes.Equal(got, want[90*512:190*512]) {
		t.Error("wrong bytes around what is left alone")
	}
	if e := c.asks(0, 390*512, 20*512, nil); e != 5 { // EIO
		t.Errorf("error %d for missing sectors", e)
	}
	if e := c.asks(1, 0, 512, make([]byte, 512)); e != 1 { // EPERM
		t.Errorf("error %d for a write", e)
	}
	if e := c.asks(0, 600*512, 512, nil); e != 0 || !bytes.Equal(c.gets(512), want[600*512:601*512]) {
		t.Errorf("after an error nothing can be read: %d", e)
	}
	r := v.Report()
	if !slices.Equal(r.Left, disk.Spans{left}) || !slices.Equal(r.Unknown, disk.Spans{missing}) || r.Refused != 1 || r.Reads != 3 {
		t.Errorf("%+v", r)
	}
	if want := []disk.Span{{Start: 90, Count: 100}, {Start: 390, Count: 20}, {Start: 600, Count: 1}}; !slices.Equal(r.Runs, want) {
		t.Errorf("read %v, want %v", r.Runs, want)
	}
}

// TestHostileClients: lengths of 2^32, ends past the disk, no magic, options without
// end, silence. The server goes on, and others are served.
func TestHostileClients(t *testing.T) {
	t.Parallel()
	d := noise(100)
	socket := served(t, newScratchView(newScratch(d, 1<<20)))
	for name, q := range map[string]struct {
		kind uint16
		off  uint64
		n    uint32
		want uint32
	}{
		"a read of 4 GiB":           {0, 0, 1<<32 - 1, 22},
		"a read past the end":       {0, 99 * 512, 1024, 22},
		"a read at the last byte":   {0, 1<<64 - 1, 512, 22},
		"a write past the end":      {1, 100 * 512, 0, 0},
		"zeros past the end":        {6, 99 * 512, 1024, 28},
		"zeros without end":         {6, 0, 1<<32 - 1, 28},
		"a request that is unknown": {4711, 0, 512, 22},
		"a flush":                   {3, 1 << 60, 7, 0},
	} {
		c := dial(t, socket)
		c.begins()
		if e := c.asks(q.kind, q.off, q.n, nil); e != q.want {
			t.Errorf("%s: error %d, want %d", name, e, q.want)
		}
		c.left()
	}
	for name, b := range map[string][]byte{
		"nothing":          {},
		"noise":            bytes.Repeat([]byte{0xA5}, 100_000),
		"unknown flags":    {0, 0, 0, 0xFF},
		"a large option":   append(append([]byte{0, 0, 0, 3}, "IHAVEOPT"...), 0, 0, 0, 7, 0xFF, 0xFF, 0xFF, 0xFF),
		"a long name":      append(append([]byte{0, 0, 0, 3}, "IHAVEOPT"...), 0, 0, 0, 7, 0, 0, 0, 6, 0xFF, 0xFF, 0xFF, 0xF0, 0, 0),
		"a list with data": append(append([]byte{0, 0, 0, 3}, "IHAVEOPT"...), 0, 0, 0, 3, 0, 0, 0, 1, 9),
		"options, no end":  append([]byte{0, 0, 0, 3}, bytes.Repeat(append([]byte("IHAVEOPT"), 0, 0, 0, 99, 0, 0, 0, 0), 500)...),
	} {
		c := dial(t, socket)
		c.gets(18)
		c.Write(b) // the server may have gone by then
		c.left()
		after := dial(t, socket)
		after.begins()
		if e := after.asks(0, 0, 512, nil); e != 0 {
			t.Errorf("after %s: error %d", name, e)
		}
		after.left()
	}
	c := dial(t, socket)
	c.begins()
	c.sends(uint32(0x25609513), uint16(0), uint16(1), uint64(1), uint64(0), uint32(1<<32-1))
	if _, err := c.Read(make([]byte, 1)); err == nil {
		t.Error("a write of 4 GiB is answered")
	}
}

// TestTooManyClients: one that is too many is turned away, and may come again when
// another has left.
func TestTooManyClients(t *testing.T) {
	t.Parallel()
	socket := served(t, newView(noise(100)))
	var in []*plain
	for range mostClients {
		c := dial(t, socket)
		c.begins()
		in = append(in, c)
	}
	if _, err := dial(t, socket).Read(make([]byte, 1)); err == nil {
		t.Error("one client too many is served")
	}
	in[0].Close()
	for range 100 {
		c := dial(t, socket)
		if _, err := c.Read(make([]byte, 1)); err == nil {
			return
		}
		time.Sleep(10 * time.Millisecond)
	}
	t.Error("nobody is served after one has left")
}

// TestClientsAtOnce: several clients write and read different places.
func TestClientsAtOnce(t *testing.T) {
	t.Parallel()
	d := noise(4000)
	want := whole(t, d)
	s := newScratch(d, 4<<20)
	socket := served(t, newScratchView(s))
	var all sync.WaitGroup
	for i := range 6 {
		r := rand.New(rand.NewPCG(uint64(i), 1))
		c := dial(t, socket)
		c.begins()
		mine := want[i*300*512 : (i+1)*300*512]
		all.Go(func() {
			for range 200 {
				off, n := r.IntN(len(mine)-5000), 1+r.IntN(5000)
				b := make([]byte, n)
				for j := range b {
					b[j] = byte(r.Uint32())
				}
				copy(mine[off:], b)
				if e := c.asks(1, uint64(i*300*512+off), uint32(n), b); e != 0 {
					t.Errorf("client %d: error %d", i, e)
					return
				}
				at := r.IntN(len(mine) - 3000)
				if e := c.asks(0, uint64(i*300*512+at), 3000, nil); e != 0 || !bytes.Equal(c.gets(3000), mine[at:at+3000]) {
					t.Errorf("client %d reads something else, error %d", i, e)
					return
				}
			}
		})
	}
	all.Wait()
	if !bytes.Equal(whole(t, s), want) {
		t.Error("the disk is not what was written")
	}
}

// TestTheMemoryIsBounded: what does not fit is refused, and what was there stays.
func TestTheMemoryIsBounded(t *testing.T) {
	t.Parallel()
	s := newScratch(noise(100_000), 1<<20)
	c := dial(t, served(t, newScratchView(s)))
	c.begins()
	full := 0
	for x := uint64(0); x < 100_000; x += 100 {
		if e := c.asks(1, x*512, 512, make([]byte, 512)); e == 28 {
			full++
		} else if e != 0 {
			t.Fatalf("error %d", e)
		}
	}
	if full != 1000-(1<<20)/(32*512) {
		t.Errorf("%d writes were refused", full)
	}
	if n := s.Written().Sectors(); n != disk.Sector(1000-full) {
		t.Errorf("%d sectors are said to be written", n)
	}
}

// FuzzClient: whatever comes, the server ends the connection or answers, in bounded
// memory.
func FuzzClient(f *testing.F) {
	opt := func(o byte, data ...byte) []byte {
		return append(append([]byte("IHAVEOPT"), 0, 0, 0, o, 0, 0, 0, byte(len(data))), data...)
	}
	start := []byte{0, 0, 0, 3}
	read := append([]byte{0x25, 0x60, 0x95, 0x13, 0, 0, 0, 0}, make([]byte, 20)...)
	f.Add(slices.Concat(start, opt(1), read))
	f.Add(slices.Concat(start, opt(3), opt(6, 0, 0, 0, 0, 0, 0), opt(7, 0, 0, 0, 0, 0, 1, 0, 3), read))
	f.Add(slices.Concat(start, opt(2)))
	d := noise(100)
	f.Fuzz(func(t *testing.T, b []byte) {
		v := newScratchView(newScratch(d, 64<<10))
		ours, theirs := net.Pipe()
		go io.Copy(io.Discard, theirs)
		go func() {
			theirs.Write(b)
			theirs.Close()
		}()
		(&server{View: v}).talk(ours)
		ours.Close()
	})
}
