package main

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"math/rand/v2"
	"os"
	"testing"

	"bootgraft/cmd/bootgraft/talk"
)

// looper is an invented device that keeps a header in sector 0: the size of its disk, a
// checksum over it, and perhaps a copy. It starts as its firmware would: it believes nothing
// but the disk that is in it.
type looper struct {
	name  string
	size  func(head []byte, n int64) // writes the size into a header
	order binary.ByteOrder           // of the checksum
	copy  int64                      // sectors before the end, 0: there is none
}

var loopers = []looper{
	{"sectors, highest byte first, copy in the last sector", func(h []byte, n int64) {
		binary.BigEndian.PutUint32(h[64:], uint32(n))
	}, binary.LittleEndian, 1},
	{"sectors, lowest byte first, copy 16 sectors before the end", func(h []byte, n int64) {
		binary.LittleEndian.PutUint32(h[80:], uint32(n))
	}, binary.BigEndian, 16},
	{"last sector, lowest byte first, no copy", func(h []byte, n int64) {
		binary.LittleEndian.PutUint32(h[100:], uint32(n-1))
	}, binary.LittleEndian, 0},
}

// initialise makes a disk of n sectors what the device makes of a new one.
func (v looper) initialise(y *typist, name string, n int64) {
	y.t.Helper()
	f, err := os.OpenFile(y.sparse(name, n), os.O_WRONLY, 0)
	if err != nil {
		y.t.Fatal(err)
	}
	defer f.Close()
	head := make([]byte, 512)
	copy(head, "INVENTED LOOPER OF THE HOLLOW LANE WORKS 1.00")
	program := make([]byte, 4*512)
	_, _ = rand.NewChaCha8([32]byte{9}).Read(program) // it never fails
	copy(head[128:], program[:256])
	v.size(head, n)
	v.order.PutUint32(head[508:], crc32.ChecksumIEEE(head[:508]))
	for at, b := range map[int64][]byte{0: head, 40: program, n - v.copy: head} {
		if at == n {
			continue
		}
		if _, err := f.WriteAt(b, at*512); err != nil {
			y.t.Fatal(err)
		}
	}
}

// starts switches the device on with a disk in it, and returns why it does not start.
func (v looper) starts(y *typist, name string) error {
	y.t.Helper()
	f, err := os.Open(y.path(name))
	if err != nil {
		y.t.Fatal(err)
	}
	defer f.Close()
	st, err := f.Stat()
	if err != nil {
		y.t.Fatal(err)
	}
	n, read := st.Size()/512, func(sector int64) []byte {
		b := make([]byte, 512)
		if _, err := f.ReadAt(b, sector*512); err != nil {
			y.t.Fatal(err)
		}
		return b
	}
	head := read(0)
	if v.order.Uint32(head[508:]) != crc32.ChecksumIEEE(head[:508]) {
		return fmt.Errorf("HEADER DAMAGED")
	}
	want := bytes.Clone(head)
	v.size(want, n)
	if !bytes.Equal(want[:508], head[:508]) {
		return fmt.Errorf("WRONG DISK SIZE")
	}
	if v.copy > 0 && !bytes.Equal(read(n-v.copy), head) {
		return fmt.Errorf("BACKUP HEADER LOST")
	}
	return nil
}

// TestAtMostFourStarts: with one drive alone, and nothing else known, one of the first four
// tries that plan lists is a card from which the device starts. Cards are planned and
// written as at the bench; what is judged is the card, by a device that shares no code with
// the program. Package fit tries more devices.
func TestAtMostFourStarts(t *testing.T) {
	t.Parallel()
	const drive, most = 39_070_080, 4
	for i, v := range loopers {
		y := newTypist(t)
		v.initialise(y, "old.img", drive)
		if err := v.starts(y, "old.img"); err != nil {
			t.Fatalf("%s: the drive itself: %v", v.name, err)
		}
		size := []string{"62333952s", "31266816s"}[i%2]
		started := 0
		for try := 1; try <= most && started == 0; try++ {
			y.gone("card.plan", "card.img")
			plan := []string{"plan", "old.img", "--size", size, "--try", fmt.Sprint(try), "-o", "card.plan"}
			c := y.command(append(plan, "--accept", "tail-undecided", "--accept", "copy-left-behind")...)
			if out, err := c.CombinedOutput(); err != nil { // a try that is refused is no start
				t.Logf("%s, try %d is refused: %s", v.name, try, out)
				continue
			}
			y.types(talk.ExitDone, "write", "card.plan", "card.img")
			err := v.starts(y, "card.img")
			if t.Logf("%s, try %d on %s: %v", v.name, try, size, err); err == nil {
				started = try
			}
		}
		if started == 0 {
			t.Errorf("%s: no start in %d tries", v.name, most)
		}
	}
}
