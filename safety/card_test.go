package safety

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"math/rand"
	chacha "math/rand/v2"
	"os"
	"path/filepath"
	"sync/atomic"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout"
)

const sector = 512

// oldImage is an older image, of one sector.
var oldImage = bytes.Repeat([]byte("old image of a card, 32 bytes...\n")[:32], 16)

// halfImage is what a broken run leaves: an image has its size from the beginning.
var halfImage = bytes.Repeat([]byte("half of a card, and no one knows")[:32], 32)

// model is a planned card with what must be known of it to judge a file: it
// is made here byte by byte, not by the code under test.
type model struct {
	image.Source
	pieces []layout.Piece
	file   []byte // what an image file of it holds
	hashed []byte // its bytes without the sectors that are left
}

func (m *model) NextData(off int64) (start, end int64) { return image.NextData(m.Source, off) }

// randomCard makes a card of all provenances with stretches of zeros in it.
func randomCard(r *rand.Rand, sectors disk.Sector) *model {
	m := &model{file: make([]byte, sectors*sector)}
	var unknown disk.Spans
	for at := disk.Sector(0); at < sectors; {
		p := layout.Piece{Op: layout.Op(1 + r.Intn(4)), Why: layout.Reason(1 + r.Intn(14))}
		p.Span = disk.Span{Start: at, Count: min(sectors-at, 1+disk.Sector(r.Intn(1+r.Intn(1500))))}
		at = p.End()
		b := m.file[p.Start*sector : p.End()*sector]
		switch p.Op {
		case layout.Leave:
			unknown = unknown.Add(p.Span)
		case layout.Copy, layout.Render:
			fillRandom(r, b)
		}
		if p.Op != layout.Leave {
			m.hashed = append(m.hashed, b...)
		}
		m.pieces = append(m.pieces, p)
	}
	drive := imagetest.New(sectors, sector)
	for off := 0; off < len(m.file); off += sector { // holes where the card has zeros
		if b := m.file[off : off+sector]; !isFilled(b, 0) {
			drive.Put(disk.Sector(off/sector), b)
		}
	}
	m.Source = image.NewKnown(drive, unknown, nil)
	return m
}

func fillRandom(r *rand.Rand, b []byte) {
	copy(b, patterned(r.Int63(), len(b)/sector))
	for range r.Intn(3) {
		from := r.Intn(len(b))
		clear(b[from : from+r.Intn(len(b)-from)])
	}
}

// wholeCopy is a card that holds b, all of it copied.
func wholeCopy(b []byte) *model {
	n := disk.Sector(len(b) / sector)
	return &model{
		Source: imagetest.NewBytes(b, sector),
		pieces: []layout.Piece{{Span: disk.Span{Count: n}, Op: layout.Copy, Why: layout.WhyUnchanged}},
		file:   b, hashed: b,
	}
}

// patterned returns sectors of noise, the same for the same seed.
func patterned(seed int64, sectors int) []byte {
	var key [32]byte
	binary.LittleEndian.PutUint64(key[:], uint64(seed))
	b := make([]byte, sectors*sector)
	chacha.NewChaCha8(key).Read(b)
	return b
}

func sum(b []byte) string {
	s := sha256.Sum256(b)
	return hex.EncodeToString(s[:])
}

// counting counts the bytes that are read.
type counting struct {
	*imagetest.Disk
	n atomic.Int64
}

func (c *counting) ReadAt(p []byte, off int64) (int, error) {
	c.n.Add(int64(len(p)))
	return c.Disk.ReadAt(p, off)
}

func write(t *testing.T, path string, m *model, opt Options) Result {
	t.Helper()
	res, err := WriteImage(context.Background(), path, m, m.pieces, opt)
	if err != nil {
		t.Fatal(err)
	}
	return res
}

func open(t *testing.T, path string) *image.File {
	t.Helper()
	f, err := image.Open(path, sector)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close() })
	return f
}

func verify(t *testing.T, m *model, path string, opt VerifyOptions) *Comparison {
	t.Helper()
	c, err := Verify(context.Background(), m, m.pieces, open(t, path), opt)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// holds fails the test unless the file is exactly b.
func holds(t *testing.T, path string, b []byte) {
	t.Helper()
	got, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, b) {
		t.Fatalf("%s does not hold the %d bytes it should (it has %d)", filepath.Base(path), len(b), len(got))
	}
}

// only fails the test unless the folder holds these names and no others.
func only(t *testing.T, dir string, want ...string) {
	t.Helper()
	list, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, e := range list {
		got = append(got, e.Name())
	}
	if len(got) != len(want) {
		t.Fatalf("the folder holds %q, want %q", got, want)
	}
	for i := range got {
		if got[i] != want[i] {
			t.Fatalf("the folder holds %q, want %q", got, want)
		}
	}
}

func put(t testing.TB, path string, b []byte) {
	t.Helper()
	if err := os.WriteFile(path, b, 0o644); err != nil {
		t.Fatal(err)
	}
}

func do(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}
