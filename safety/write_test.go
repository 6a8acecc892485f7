package safety

import (
	"context"
	"errors"
	"fmt"
	"math/rand"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/image/imagetest/need"
	"bootgraft/layout"
	"bootgraft/safety/newfile"
)

func TestWriteThenVerify(t *testing.T) {
	for _, seed := range need.Seeds(40, 2000) {
		t.Run(fmt.Sprint(seed), func(t *testing.T) {
			r := rand.New(rand.NewSource(seed))
			m := randomCard(r, 1+disk.Sector(r.Intn(9000)))
			path := filepath.Join(t.TempDir(), "card.img")
			res := write(t, path, m, Options{Hash: true})
			holds(t, path, m.file)
			if res.SHA256 != sum(m.hashed) {
				t.Errorf("SHA-256 of what was written is %s, want %s", res.SHA256, sum(m.hashed))
			}
			c := verify(t, m, path, VerifyOptions{Limit: 10, Hash: true})
			if c.Unequal > 0 || len(c.Differences) != 0 || len(c.Notes) != 0 {
				t.Errorf("just written, and yet: %+v", c)
			}
			if c.SHA256 != res.SHA256 || c.Compared != res.Written || c.Left != res.Left || c.Missing != res.Missing {
				t.Errorf("verify counts %+v, write %+v", c, res)
			}
			if int(c.Compared)*sector != len(m.hashed) {
				t.Errorf("compared %d sectors of %d", c.Compared, len(m.hashed)/sector)
			}
			flipOne(t, r, m, path)
		})
	}
}

// flipOne changes one byte of the file and wants exactly that reported.
func flipOne(t *testing.T, r *rand.Rand, m *model, path string) {
	at := r.Intn(len(m.file))
	b := append([]byte(nil), m.file...)
	b[at] ^= byte(1 + r.Intn(255))
	put(t, path, b)
	c := verify(t, m, path, VerifyOptions{Limit: 10})
	s := disk.Sector(at / sector)
	owner := 0
	for !m.pieces[owner].Holds(s) {
		owner++
	}
	p := m.pieces[owner]
	if p.Op == layout.Leave {
		if c.Unequal > 0 {
			t.Errorf("sector %d is left, and yet: %+v", s, c.Differences)
		}
		return
	}
	end := min(at+16, (int(s)+1)*sector)
	want := Difference{Sector: s, Piece: owner, Op: p.Op, Why: p.Why, Offset: at % sector,
		Want: fmt.Sprintf("%x", m.file[at:end]), Have: fmt.Sprintf("%x", b[at:end])}
	if c.Unequal != 1 || c.ByOp[p.Op] != 1 || c.ByWhy[p.Why] != 1 || len(c.Differences) != 1 {
		t.Fatalf("one byte differs, and yet: %+v", c)
	}
	got := c.Differences[0]
	got.Note = ""
	if got != want {
		t.Errorf("got  %+v\nwant %+v", got, want)
	}
}

// The file and its hash, as cmp(1) and sha256sum(1) read them.
func TestWriteAgreesWithTools(t *testing.T) {
	cmp, sha := need.Tool(t, "cmp"), need.Tool(t, "sha256sum")
	dir := t.TempDir()
	m := wholeCopy(patterned(1, 5000))
	put(t, filepath.Join(dir, "want"), m.file)
	path := filepath.Join(dir, "card.img")
	res := write(t, path, m, Options{Hash: true})
	if out, err := exec.Command(cmp, path, filepath.Join(dir, "want")).CombinedOutput(); err != nil {
		t.Errorf("cmp: %v\n%s", err, out)
	}
	out, err := exec.Command(sha, path).Output()
	if err != nil || !strings.HasPrefix(string(out), res.SHA256+" ") {
		t.Errorf("sha256sum says %s (%v), WriteImage %s", out, err, res.SHA256)
	}
}

// 500 GB with a few MiB in it: only those are read and stored, by write and by
// verify, so the time does not follow the size.
func TestSparseCard(t *testing.T) {
	needHoles(t)
	const sectors = 976_773_168 // IDEMA LBA1-03: a drive of 500 GB
	drive := &counting{Disk: imagetest.New(sectors, sector)}
	for _, at := range []disk.Sector{0, 63, 1_000_000, 500_000_003, sectors - 1} {
		drive.Put(at, patterned(int64(at), 1))
	}
	m := &model{Source: drive, pieces: []layout.Piece{{Span: disk.Span{Count: sectors}, Op: layout.Copy, Why: layout.WhyUnchanged}}}
	path := filepath.Join(t.TempDir(), "card.img")
	res := write(t, path, m, Options{})
	const most = 5 * 64 << 10 // the memory disk keeps 64 KiB around each
	if read := drive.n.Load(); read > most || res.Stored > most {
		t.Errorf("read %d bytes and stored %d, of which %d hold anything", read, res.Stored, most)
	}
	fi, err := os.Stat(path)
	if err != nil {
		t.Fatal(err)
	}
	if fi.Size() != sectors*sector || newfile.StoredBytes(fi) > 2*most {
		t.Errorf("the file has %d bytes and takes up %d", fi.Size(), newfile.StoredBytes(fi))
	}
	drive.n.Store(0)
	if c := verify(t, m, path, VerifyOptions{}); c.Unequal > 0 || c.Compared != sectors {
		t.Errorf("%+v", c)
	}
	if read := drive.n.Load(); read > most {
		t.Errorf("verify read %d bytes of the card", read)
	}
}

// endless is a source of stored zeros of any size.
type endless int64

func (e endless) Size() int64                             { return int64(e) }
func (e endless) SectorSize() int                         { return sector }
func (e endless) ReadAt(p []byte, off int64) (int, error) { clear(p); return len(p), nil }

// Memory does not grow with the card: 256 MiB pass through a few buffers.
func TestMemoryIsBounded(t *testing.T) {
	needHoles(t)
	m := &model{Source: endless(256 << 20)}
	m.pieces = []layout.Piece{{Span: image.Whole(m), Op: layout.Copy, Why: layout.WhyUnchanged}}
	path := filepath.Join(t.TempDir(), "card.img")
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	write(t, path, m, Options{})
	verify(t, m, path, VerifyOptions{})
	runtime.ReadMemStats(&after)
	if used := after.TotalAlloc - before.TotalAlloc; used > 16<<20 {
		t.Errorf("%d bytes were allocated on the way", used)
	}
}

// Zeros that are stored in the source become holes of the file.
func TestZerosInDataBecomeHoles(t *testing.T) {
	needHoles(t)
	b := make([]byte, 8<<20)
	copy(b[3<<20:], "something")
	m := wholeCopy(b)
	path := filepath.Join(t.TempDir(), "card.img")
	if res := write(t, path, m, Options{}); res.Stored != holeUnit {
		t.Errorf("stored %d bytes, want one unit of %d", res.Stored, holeUnit)
	}
	holds(t, path, b)
}

func TestReplaceKeepsMode(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("rights of Unix")
	}
	dir := t.TempDir()
	path := filepath.Join(dir, "card.img")
	if err := os.WriteFile(path, oldImage, 0o600); err != nil {
		t.Fatal(err)
	}
	m := wholeCopy(patterned(1, 10))
	write(t, path, m, Options{Replace: true})
	holds(t, path, m.file)
	only(t, dir, "card.img")
	if fi, err := os.Stat(path); err != nil || fi.Mode().Perm() != 0o600 {
		t.Errorf("the mode became %v, %v", fi.Mode(), err)
	}
}

// Stopping at any step leaves the old file, and nothing else.
func TestCancel(t *testing.T) {
	m := wholeCopy(patterned(1, 5*2048))
	for _, at := range []int{0, 1, 2, 4} {
		for _, replace := range []bool{false, true} {
			dir := t.TempDir()
			path := filepath.Join(dir, "card.img")
			if replace {
				put(t, path, oldImage)
			}
			ctx, cancel := context.WithCancelCause(context.Background())
			why := errors.New("somebody pressed a key")
			steps := 0
			stop := func(int64, int64) {
				if steps++; steps > at {
					cancel(why)
				}
			}
			if at == 0 {
				cancel(why)
			}
			_, err := WriteImage(ctx, path, m, m.pieces, Options{Replace: replace, Progress: stop})
			if !errors.Is(err, why) && !errors.Is(err, context.Canceled) {
				t.Errorf("step %d: error %v", at, err)
			}
			if replace {
				holds(t, path, oldImage)
				only(t, dir, "card.img")
			} else {
				only(t, dir)
			}
		}
	}
}

func TestProgressEndsAtTotal(t *testing.T) {
	for _, hash := range []bool{false, true} {
		m := randomCard(rand.New(rand.NewSource(7)), 30_000)
		var done, total int64
		see := func(d, n int64) {
			if d <= done || d > n {
				t.Errorf("progress went from %d to %d of %d", done, d, n)
			}
			done, total = d, n
		}
		path := filepath.Join(t.TempDir(), "card.img")
		write(t, path, m, Options{Hash: hash, Progress: see})
		if done != total || done == 0 {
			t.Errorf("writing ended at %d of %d", done, total)
		}
		done = 0
		verify(t, m, path, VerifyOptions{Hash: hash, Progress: see})
		if done != total || done == 0 {
			t.Errorf("verifying ended at %d of %d", done, total)
		}
	}
}

func TestReadErrorNamesSector(t *testing.T) {
	bad := errors.New("the drive does not answer")
	m := wholeCopy(patterned(1, 8192))
	m.Source = &imagetest.Faulty{Source: m.Source, Bad: disk.NewSpans(disk.Span{Start: 5000, Count: 1}), Err: bad}
	dir := t.TempDir()
	_, err := WriteImage(context.Background(), filepath.Join(dir, "card.img"), m, m.pieces, Options{})
	if !errors.Is(err, bad) || !strings.Contains(err.Error(), "sector 4,096 (byte 2,097,152)") {
		t.Errorf("got %v", err)
	}
	only(t, dir)
}

func TestPiecesMustTile(t *testing.T) {
	m := wholeCopy(patterned(1, 10))
	m.pieces[0].Count--
	var tiling *disk.TilingError
	dir := t.TempDir()
	if _, err := WriteImage(context.Background(), filepath.Join(dir, "x"), m, m.pieces, Options{}); !errors.As(err, &tiling) {
		t.Errorf("WriteImage: %v", err)
	}
	if _, err := Verify(context.Background(), m, m.pieces, m, VerifyOptions{}); !errors.As(err, &tiling) {
		t.Errorf("Verify: %v", err)
	}
	only(t, dir)
}

// needHoles skips what is true, or takes no hours, only where it is seen what of a file is
// not stored.
func needHoles(t *testing.T) {
	t.Helper()
	if runtime.GOOS != "linux" {
		t.Skip("holes of a file are seen on Linux alone")
	}
}
