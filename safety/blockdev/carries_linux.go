package blockdev

import "os"

// Carries tells whether a folder or file lies on the device, or on the disk
// that it is a part of, through whatever layers. What is written there would be
// written to the old drive.
func (s *Source) Carries(path string) (bool, error) {
	fi, err := os.Stat(path)
	if err != nil {
		return false, err
	}
	w, err := newWeb(number(s.rdev))
	if err != nil {
		return false, err
	}
	mounts, err := allMounts()
	if err != nil {
		return false, err
	}
	rel, err := w.relation(newGround(w.loops, ownMounts(mounts)), File{Path: path, Info: fi})
	return rel != Nothing, err
}
