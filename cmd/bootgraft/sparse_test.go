package main

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"os"
	"sync"
	"testing"

	"bootgraft/cmd/bootgraft/demo"
	"bootgraft/image"
	"bootgraft/image/imagetest"
)

// The images of these tests have hundreds of megabytes, nearly all of them holes:
// what is not stored is neither read nor written here.

// sparseStep is how much of an image is handled at a time, in bytes.
const sparseStep = 64 << 10

// eachStored calls f for all that any of the sources stores, in steps of whole
// sparseStep.
func eachStored(f func(start, end int64) error, sources ...image.Source) error {
	size := sources[0].Size()
	for off := int64(0); ; {
		start := size
		for _, s := range sources {
			from, _ := image.NextData(s, off)
			start = min(start, from)
		}
		if start >= size {
			return nil
		}
		start -= start % sparseStep
		off = min(start+sparseStep, size)
		if err := f(start, off); err != nil {
			return err
		}
	}
}

func isZeros(b []byte) bool {
	fill, blank := image.Blank(b)
	return blank && fill == 0
}

// saveSparse writes all of a source that is not zeros into a new file.
func saveSparse(src image.Source, path string) (err error) {
	f, err := os.Create(path)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	if err := f.Truncate(src.Size()); err != nil {
		return err
	}
	return eachStored(func(start, end int64) error {
		b := make([]byte, end-start)
		if err := image.ReadFull(src, b, start); err != nil || isZeros(b) {
			return err
		}
		_, err := f.WriteAt(b, start)
		return err
	}, src)
}

// copySparse copies a file.
func copySparse(from, to string) error {
	src, err := image.Open(from, 512)
	if err != nil {
		return err
	}
	return errors.Join(saveSparse(src, to), src.Close())
}

var errNotSame = errors.New("they hold different bytes")

// sameBytes returns errNotSame if two files are not equal.
func sameBytes(a, b string) (err error) {
	one, err := image.Open(a, 512)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, one.Close()) }()
	two, err := image.Open(b, 512)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, two.Close()) }()
	if one.Size() != two.Size() {
		return errNotSame
	}
	return eachStored(func(start, end int64) error {
		have, want := make([]byte, end-start), make([]byte, end-start)
		if err := errors.Join(image.ReadFull(one, have, start), image.ReadFull(two, want, start)); err != nil {
			return err
		}
		if !bytes.Equal(have, want) {
			return errNotSame
		}
		return nil
	}, one, two)
}

// digestOf returns a digest of the content of a file.
func digestOf(t *testing.T, path string) (sum [sha256.Size]byte) {
	t.Helper()
	src, err := image.Open(path, 512)
	if err != nil {
		t.Fatal(err)
	}
	defer src.Close()
	h := sha256.New()
	err = eachStored(func(start, end int64) error {
		b := make([]byte, end-start)
		if err := image.ReadFull(src, b, start); err != nil || isZeros(b) {
			return err
		}
		h.Write(binary.BigEndian.AppendUint64(nil, uint64(start)))
		h.Write(b)
		return nil
	}, src)
	if err != nil {
		t.Fatal(err)
	}
	return [sha256.Size]byte(h.Sum(nil))
}

// demoDisk is the drive of the demonstration, made once.
var demoDisk = sync.OnceValues(func() (*imagetest.Disk, error) {
	d := imagetest.New(demo.DriveSectors, 512)
	return d, demo.DriveInto(d)
})

// saveDemoDrive writes the image of that drive.
func saveDemoDrive(path string) error {
	d, err := demoDisk()
	if err != nil {
		return err
	}
	return saveSparse(d, path)
}

// What is compared and copied here in a quick way is what a plain reader finds.
func TestSparseFiles(t *testing.T) {
	dir := t.TempDir() + "/"
	b := make([]byte, 5*sparseStep+700)
	copy(b[sparseStep-3:], "across a step")
	b[len(b)-1] = 1
	if err := os.WriteFile(dir+"a", b, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := copySparse(dir+"a", dir+"b"); err != nil {
		t.Fatal(err)
	}
	if got, err := os.ReadFile(dir + "b"); err != nil || !bytes.Equal(got, b) {
		t.Errorf("the copy is another: %v", err)
	}
	if err := sameBytes(dir+"a", dir+"b"); err != nil || digestOf(t, dir+"a") != digestOf(t, dir+"b") {
		t.Errorf("equal files: %v", err)
	}
	for _, at := range []int{0, sparseStep - 1, 3 * sparseStep, len(b) - 1} {
		b[at] ^= 2
		if err := os.WriteFile(dir+"c", b, 0o600); err != nil {
			t.Fatal(err)
		}
		if err := sameBytes(dir+"a", dir+"c"); !errors.Is(err, errNotSame) || digestOf(t, dir+"a") == digestOf(t, dir+"c") {
			t.Errorf("byte %d differs: %v", at, err)
		}
		b[at] ^= 2
	}
}
