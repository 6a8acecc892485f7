package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"bootgraft/image"
	"bootgraft/layout/plan"
)

// opened is a SOURCE that was opened, and what it was opened from.
type opened struct {
	image.Source
	path  string
	files []os.FileInfo // the files that are read for it
	close func() error
}

// openSource opens a SOURCE by what it is.
func openSource(path string, sectorSize int) (*opened, error) {
	if err := image.CheckSectorSize(sectorSize); err != nil {
		return nil, coded(exitUsage, err)
	}
	f, err := image.Open(path, sectorSize)
	if err != nil {
		return nil, sourceError(path, err)
	}
	st, err := f.Stat()
	if err != nil {
		f.Close()
		return nil, err
	}
	return &opened{Source: f, path: path, files: []os.FileInfo{st}, close: f.Close}, nil
}

// sourceError says what to do about a SOURCE that does not open.
func sourceError(path string, err error) error {
	var kind *image.NotRegularError
	switch {
	case errors.As(err, &kind) && kind.Kind == "a block device":
		return refusef("%s is a block device. Work on an image file of it", path)
	case errors.As(err, &kind):
		return fmt.Errorf("%w; give the path of an image file", err)
	case errors.Is(err, fs.ErrNotExist):
		return fmt.Errorf("there is no file %s", path)
	case errors.Is(err, fs.ErrPermission):
		return fmt.Errorf("no permission to read %s; ask its owner, or try again with sudo", path)
	}
	return err
}

// openPlan reads a plan file. The file stays open as long as the plan is used.
func openPlan(path string) (*plan.Plan, *os.File, error) {
	st, err := os.Stat(path)
	if err != nil {
		return nil, nil, sourceError(path, err)
	}
	if !st.Mode().IsRegular() {
		return nil, nil, fmt.Errorf("%s is not a plan file: it is not a regular file", path)
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, nil, sourceError(path, err)
	}
	p, err := plan.Decode(f, st.Size())
	if err != nil {
		f.Close()
		return nil, nil, fmt.Errorf("%s is no plan that can be trusted: %w. Make it again with: bootgraft plan", path, err)
	}
	return p, f, nil
}

// planSource opens the source of a plan: the one given, or where the plan
// remembers it, as seen from here or from the folder of the plan.
func planSource(p *plan.Plan, planPath, given string) (*opened, error) {
	path := given
	if path == "" {
		if path = p.Source.Path; path == "" {
			return nil, usagef("the plan does not remember where its source lies; give --source")
		}
		if _, err := os.Stat(path); err != nil && !filepath.IsAbs(path) {
			path = filepath.Join(filepath.Dir(planPath), path)
		}
		if _, err := os.Stat(path); err != nil {
			return nil, fmt.Errorf("the source of the plan was %s, which is not there now; give it with --source", p.Source.Path)
		}
	}
	return openSource(path, p.Source.SectorSize)
}
