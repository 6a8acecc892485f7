package blockdev

import (
	"fmt"
	"io"
	"unsafe"

	"bootgraft/image"
	"bootgraft/image/disk"
)

// alignment of buffers for direct reads: a page, which is at least the logical
// sector of any device here (open(2), O_DIRECT; "File Buffering" of Windows).
const alignment = 4096

// readMost is the most that one call asks of the kernel, in bytes. Measured on a disk
// of today: direct reads of 4 and 8 MiB were no faster.
const readMost = 1 << 20

// aligned returns n bytes that begin on a page.
func aligned(n int) []byte {
	b := make([]byte, n+alignment)
	skip := alignment - int(uintptr(unsafe.Pointer(&b[0]))%alignment)
	return b[skip : skip+n : skip+n]
}

// around reads the whole sectors around what is asked for through box, readMost bytes
// at a time, of a device with this size and sector size in bytes. read fills its
// buffer or fails as a whole; what failed is not tried again.
func around(p []byte, off, size int64, sectorSize int, box []byte,
	read func(buf []byte, off int64) error) (int, error) {
	if off < 0 {
		return 0, fmt.Errorf("negative offset %d", off)
	}
	n, sector := 0, int64(sectorSize)
	for n < len(p) {
		at := off + int64(n)
		if at >= size {
			return n, io.EOF
		}
		start := at / sector * sector
		end := min((off+int64(len(p))+sector-1)/sector*sector, size/sector*sector, start+readMost)
		if end <= start {
			return n, io.EOF // less than a sector at the end of the device
		}
		buf := box[:end-start]
		if err := read(buf, start); err != nil {
			return 0, err
		}
		n += copy(p[n:], buf[at-start:])
	}
	return n, nil
}

// fill fills buf from a device, or fails as a whole. pread may come back short, which
// is not the end of the device; fault and gone tell what an error means.
func fill(buf []byte, off int64, sectorSize int, pread func([]byte, int64) (int, error), fault func(error) image.Fault,
	gone func() bool) error {
	span := disk.Span{Start: disk.Sector(off / int64(sectorSize)), Count: disk.Sector(len(buf) / sectorSize)}
	for n := 0; n < len(buf); {
		got, err := pread(buf[n:], off+int64(n))
		got -= max(got, 0) % sectorSize // a part of a sector is none
		switch {
		case err != nil:
			return &image.ReadError{Span: span, Fault: fault(err), Err: err}
		case got == 0 && gone():
			return &image.ReadError{Span: span, Fault: image.Gone, Err: io.ErrUnexpectedEOF}
		case got == 0:
			return &image.ReadError{Span: span, Fault: image.ShortRead, Err: io.ErrUnexpectedEOF}
		}
		n += got
	}
	return nil
}
