package input

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image"
	"bootgraft/image/capture"
	"bootgraft/image/capture/record"
	"bootgraft/safety/blockdev"
	"bootgraft/safety/newfile"
)

// ImagePlace refuses a place where an image must not, or cannot, come to lie.
// It is asked before the drive is opened.
func ImagePlace(source, img string) error {
	if kind := image.NameKind(img); kind != "" {
		return talk.Refusef("%s cannot be the image: it is %s; choose another name", img, kind)
	}
	dir := filepath.Dir(img)
	st, err := os.Stat(dir)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return talk.Refusef("there is no folder %s for the image; make it first: mkdir -p %s", dir, words.Shell(dir))
	case err != nil:
		return err
	case !st.IsDir():
		return talk.Refusef("%s is not a folder, so %s cannot be made", dir, img)
	}
	dev, err := newfile.UnderDev(dir)
	if err != nil {
		return err
	}
	if dev {
		return talk.Refusef("%s would lie among the device nodes, in memory, and be gone after the next start; give a place "+
			"on another disk", img)
	}
	if _, err := os.Lstat(source + record.Suffix); err == nil && source != "next" {
		return talk.Refusef(
			"%s is a capture already: to keep it elsewhere copy it together with %s%s; "+
				"to put two captures together use --merge",
			source, source, record.Suffix)
	}
	return nil
}

// OnAnotherDisk refuses an image that lies on the old drive itself.
func OnAnotherDisk(d capture.Drive, img string) error {
	src, ok := d.(*blockdev.Source)
	if !ok {
		return nil
	}
	on, err := src.Carries(filepath.Dir(img))
	if err != nil {
		return fmt.Errorf("whether %s lies on %s could not be found out: %w", img, src.Name(), err)
	}
	if on {
		return talk.Refusef(
			"%s would lie on the old drive itself, %s, and writing it would destroy what is to be saved; "+
				"give a place on another disk",
			img, src.Name())
	}
	return nil
}
