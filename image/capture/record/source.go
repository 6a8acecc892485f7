package record

import (
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/packed"
)

// Suffix is what the name of the record has after that of the image.
const Suffix = ".record"

// Beside returns where the record of an image lies. A packed image has that of what is
// in it.
func Beside(imagePath string) string {
	if name, is := strings.CutSuffix(imagePath, packed.Suffix); is {
		if _, err := os.Lstat(imagePath + Suffix); err != nil {
			return name + Suffix
		}
	}
	return imagePath + Suffix
}

// MismatchError says that an image and a record do not belong together.
type MismatchError struct{ Why string }

// Source is a capture as something to read: the image, in which only the
// sectors are known that the record says were read. It is image.Sparse and
// image.Partial; a read that touches another sector is an *image.UnknownError
// of state Missing, Unread or Skipped. An unstable sector reads as the answer
// that came most often.
type Source struct {
	*image.Known
	file    packed.Image
	rec     *Record
	changed disk.Spans // of the image, since the drive was read
}

// Open opens a capture. record may be empty for the record beside the image.
// Files that do not fit together are a *MismatchError.
//
// What is promised of the contents: the image has the size of the drive, and 16
// spans spread over it are compared with their SHA-256. That finds another
// image, or one that was emptied; a few changed sectors only Verify is sure to
// find. Where one differs all of it is compared, and what is not as it was read counts as
// unread: the drive may be dead, and the rest is as good as it was. If most of it is not,
// it is another image. Of a damaged record what can be proved is used, and then all of the
// image is compared; the rest counts as unread, and Record.Damage is set.
func Open(imagePath, recordPath string) (*Source, error) {
	if recordPath == "" {
		recordPath = Beside(imagePath)
	}
	f, err := os.Open(recordPath)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	rec, _, err := Load(f, imagePath)
	var damaged *LineError
	if errors.As(err, &damaged) {
		err = fmt.Errorf("%s: %w", recordPath, err)
	}
	if err != nil {
		return nil, err
	}
	rec.SuspectWindow()
	img, err := packed.OpenImage(imagePath, rec.SectorSize)
	if err != nil {
		return nil, err
	}
	changed, err := rec.distrust(img)
	if err != nil {
		return nil, errors.Join(err, img.Close())
	}
	return &Source{image.NewKnown(img, rec.Unknown(), rec.State), img, rec, changed}, nil
}

func (e *MismatchError) Error() string {
	return "the image and the record do not fit together: " + e.Why
}

// Record returns what the record says.
func (s *Source) Record() *Record { return s.rec }

// Close closes the image.
func (s *Source) Close() error { return s.file.Close() }

// File returns the image file itself, missing sectors and all.
func (s *Source) File() packed.Image { return s.file }

// Finding says that the record is damaged, nil if it is not.
func (s *Source) Finding() *disk.Finding {
	if s.rec.Damage == nil {
		return nil
	}
	f := s.rec.DamageFinding("the record", "")
	return &f
}

// Told is what was found of the bridge when the drive was read, which sectors are
// another unit's, and which are no longer in the image.
func (s *Source) Told() []disk.Finding {
	told := slices.Clip(s.rec.Told)
	if f := s.rec.UnitFinding(); f != nil {
		told = append(told, *f)
	}
	if len(s.changed) > 0 {
		told = append(told, ImageChanged(s.changed))
	}
	return told
}

// ImageChanged says that spans of the image are not what was read.
func ImageChanged(s disk.Spans) disk.Finding {
	places := s[0].String()
	for _, p := range s[1:min(len(s), 4)] {
		places += ", " + p.String()
	}
	if n := len(s) - 4; n > 0 {
		places += fmt.Sprintf(" and %d more", n)
	}
	return disk.Warningf(disk.ImageChanged, s[0].Start,
		"%d sectors in spans of the image that are no longer what was read from the drive: %s. "+
			"Something else has written into the image, or its disk is failing. "+
			"They count as unread and are read anew as long as the drive answers; "+
			"find out what changed them before you trust the disk",
		s.Sectors(), places)
}
