//go:build darwin || windows

package blockdev

import (
	"errors"
	"fmt"
	"os"
	"sync"

	"bootgraft/image"
	"bootgraft/image/ata"
	"bootgraft/image/disk"
)

// Source is a whole disk opened for reading only, past the cache, as an
// image.Source. A read error is an *image.ReadError; a read that touches one sector
// which cannot be read gives nothing of the others, so callers that want them ask for
// less.
type Source struct {
	h          *handle
	path, node string
	size       int64
	sectorSize int
	readOnly   bool
	identity   image.Identity
	told       []string
	buffers    sync.Pool
}

// size and sectorSize of an answer that no driver gave are 0.
type answers struct {
	size       int64
	sectorSize int
	readOnly   bool
	identity   image.Identity
}

// OpenSource opens the whole disk at path. One from which the system has mounted
// something that it does not let go is a *BusyError; anything but a whole disk is a
// *NotDeviceError, and is not opened.
func OpenSource(path string) (*Source, error) {
	s, busy, err := openRaw(path)
	if err != nil {
		return nil, err
	}
	if busy != nil {
		return nil, errors.Join(busy, s.Close())
	}
	return s, nil
}

// openRaw opens a disk, and says in busy why it must not be read, nil if it may.
func openRaw(path string) (s *Source, busy *BusyError, err error) {
	node, err := wholeNode(path)
	if err != nil {
		return nil, nil, err
	}
	h, err := openHandle(node)
	if err != nil {
		if faultOf(err) == image.Gone {
			err = &image.ReadError{Fault: image.Gone, Err: err}
		}
		return nil, nil, err
	}
	s = &Source{h: h, path: path, node: node}
	s.buffers.New = func() any { b := aligned(readMost); return &b }
	if busy, s.told = h.hold(path); busy == nil {
		err = s.ask()
	} else {
		// It is only told what the disk is; nothing is read to find that out.
		var a answers
		if a, err = h.ask(); err == nil {
			s.size, s.sectorSize, s.readOnly, s.identity = a.size, a.sectorSize, a.readOnly, a.identity
		}
	}
	if err != nil {
		return nil, nil, errors.Join(err, s.Close())
	}
	return s, busy, nil
}

// ask asks what the disk is, and finds out by reading what its driver does not tell.
func (s *Source) ask() error {
	a, err := s.h.ask()
	if err != nil {
		return s.openError(err)
	}
	s.readOnly, s.identity = a.readOnly, a.identity
	if s.sectorSize = a.sectorSize; s.sectorSize == 0 {
		if s.sectorSize, err = s.tryWhichSize(); err != nil {
			return s.openError(err)
		}
		s.told = append(s.told, fmt.Sprintf("the driver of %s does not tell its sector size; sectors of %d bytes can be read",
			s.path, s.sectorSize))
	}
	if err := image.CheckSectorSize(s.sectorSize); err != nil {
		return fmt.Errorf("%s: %w", s.path, err)
	}
	if s.size = a.size; s.size == 0 {
		n, err := findEnd(s.there)
		if err != nil {
			return s.openError(err)
		}
		s.size = int64(n) * int64(s.sectorSize)
		s.told = append(s.told, fmt.Sprintf("the driver of %s does not tell its size; its end was found by reading: %s",
			s.path, disk.SizeText(n, s.sectorSize)))
	}
	if s.size == 0 {
		return s.noMedium()
	}
	return nil
}

func (s *Source) noMedium() error {
	return &image.ReadError{Fault: image.Gone, Err: fmt.Errorf("%s has no medium: its size is 0", s.path)}
}

func (s *Source) openError(err error) error {
	if image.FaultOf(err) == image.Gone {
		return err
	}
	if fault := faultOf(err); fault == image.Gone || fault == image.Changed {
		return &image.ReadError{Fault: image.Gone, Err: &os.PathError{Op: "open", Path: s.path, Err: err}}
	}
	return fmt.Errorf("%s: %w", s.path, err)
}

// tryWhichSize finds the sector size by reading the first sector: a direct read of less
// than a sector is refused.
func (s *Source) tryWhichSize() (int, error) {
	var err error
	for size := 512; size <= 4096; size *= 2 {
		var n int
		n, err = s.h.pread(aligned(size), 0)
		switch {
		case err == nil && n == size:
			return size, nil
		case err == nil:
			return 0, s.noMedium()
		}
		if faultOf(err) != image.Other {
			return 0, err
		}
	}
	return 0, fmt.Errorf("its driver does not tell its sector size, and no first sector can be read: %w", err)
}

// there tells whether a sector lies before the end of the disk.
func (s *Source) there(at disk.Sector) (bool, error) {
	n, err := s.h.pread(aligned(s.sectorSize), int64(at)*int64(s.sectorSize))
	if err != nil && !isPastEnd(err) {
		return false, err
	}
	return err == nil && n == s.sectorSize, nil
}

// Told returns what is to be said of how the disk was opened.
func (s *Source) Told() []string { return s.told }

// Still asks the system, not the drive, whether the disk is what was opened. The error
// is an *image.ReadError: Gone, or Changed if its size is another one.
func (s *Source) Still() error {
	a, err := s.h.ask()
	switch {
	case err != nil && (faultOf(err) == image.Gone || faultOf(err) == image.Changed):
		return &image.ReadError{Fault: faultOf(err), Err: err}
	case err != nil:
		return &image.ReadError{Fault: image.Gone, Err: err}
	case a.size != 0 && a.size != s.size:
		return &image.ReadError{Fault: image.Changed, Err: fmt.Errorf("it had %d bytes and has %d", s.size, a.size)}
	}
	return nil
}

// Size returns the size of the disk in bytes.
func (s *Source) Size() int64 { return s.size }

// SectorSize returns the logical sector size in bytes.
func (s *Source) SectorSize() int { return s.sectorSize }

// Identity returns what the disk says of itself.
func (s *Source) Identity() image.Identity { return s.identity }

// Drive asks nothing: commands are sent to a drive on Linux alone.
func (s *Source) Drive() ata.Drive { return ata.Drive{} }

// Name returns the path that OpenSource was given.
func (s *Source) Name() string { return s.path }

// Carries tells whether a folder or file lies on a volume of the disk. What is written
// there would be written to the old drive.
func (s *Source) Carries(path string) (bool, error) { return s.h.carries(path) }

// Close lets the disk go.
func (s *Source) Close() error { return s.h.close() }

// ReadAt reads whole sectors around what is asked for, in aligned buffers, with
// one call to the system for each MiB, and never another for what failed.
func (s *Source) ReadAt(p []byte, off int64) (int, error) {
	box := s.buffers.Get().(*[]byte)
	defer s.buffers.Put(box)
	return around(p, off, s.size, s.sectorSize, *box, func(buf []byte, off int64) error {
		return fill(buf, off, s.sectorSize, s.h.pread, s.whatNow, s.isGone)
	})
}

// whatNow tells a bad sector from a drive that is no longer there: a driver may give
// the same error for both, "not ready" too.
func (s *Source) whatNow(err error) image.Fault {
	fault := faultOf(err)
	switch gone := s.isGone(); {
	case gone:
		return image.Gone
	case isNotReady(err):
		return image.BadSector
	}
	return fault
}

func (s *Source) isGone() bool { return faultOf(s.h.still()) == image.Gone }

// describe returns what is listed of a disk.
func (s *Source) describe() Disk {
	return Disk{Node: s.node, Sectors: disk.Sector(s.size / int64(max(s.sectorSize, 1))), SectorSize: s.sectorSize,
		Identity: s.identity, ReadOnly: s.readOnly}
}

// nodeOf returns the node of a disk in diskNumbers, which is what it is named by.
func nodeOf(number string) string { return number }
