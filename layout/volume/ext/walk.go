package ext

import (
	"errors"
	"slices"

	"bootgraft/image"
	"bootgraft/image/disk"
)

// By hand, no source.
const (
	maxFindings = 100      // told one by one; the rest is counted
	maxPath     = 32 << 10 // bytes of a path; deeper directories are not entered
)

// walk calls visit for the root directory and everything below it, a
// directory before what it holds, in the order on the disk. Links are not
// followed. A file with several names comes once under each.
//
// A damaged or unreadable file is visited with its Err set, and what is wrong
// with directories is in the findings: neither stops the walk. The error is
// the one that visit returned; or that the volume cannot be understood
// (Unsupported); or that its files claim more than it can hold (Malformed).
func (v *Volume) walk(visit func(File) error) ([]disk.Finding, error) {
	if err := v.walkable(); err != nil {
		return nil, err
	}
	w := newWalker(v, visit)
	err := w.run()
	if errors.Is(err, errSpent) {
		err = v.malformed(superSector(v.src), "%s", errSpent)
	}
	if more := w.unsaid; more > 0 {
		w.findings = append(w.findings, disk.Warningf(disk.ExtMoreFindings, disk.NoSector,
			"%d more faults of this kind were found.", more).Hiding())
	}
	return w.findings, err
}

type walker struct {
	v        *Volume
	r        *blocks
	visit    func(File) error
	spend    budget // for inodes met the first time
	again    budget // for further names of the same file
	listing  budget // for blocks of directories, which are never shared
	dirs     map[uint32]struct{}
	linked   map[uint32]struct{} // files with several names, met once
	pending  []directory
	findings []disk.Finding
	unsaid   int
}

type directory struct {
	path string
	ino  uint32
}

func newWalker(v *Volume, visit func(File) error) *walker {
	return &walker{
		v: v, r: v.blocks(), visit: visit,
		spend: budget{16 * v.fileLimit()}, again: budget{256 * v.fileLimit()},
		listing: budget{int64(min(v.Blocks, v.present())) + 64},
		dirs:    map[uint32]struct{}{}, linked: map[uint32]struct{}{},
	}
}

func (w *walker) run() error {
	if err := w.file(".", rootInode); err != nil {
		return err
	}
	for len(w.pending) > 0 {
		d := w.pending[len(w.pending)-1]
		w.pending = w.pending[:len(w.pending)-1]
		from := len(w.pending)
		if err := w.directory(d); err != nil {
			return err
		}
		slices.Reverse(w.pending[from:]) // the first one comes first
	}
	return nil
}

func (w *walker) note(f disk.Finding) {
	if len(w.findings) == maxFindings {
		w.unsaid++
		return
	}
	w.findings = append(w.findings, f)
}

// file visits one entry and remembers a directory for later.
func (w *walker) file(path string, ino uint32) error {
	f := File{Path: path, Inode: ino}
	n, err := w.r.inode(ino)
	if n != nil {
		f.Mode, f.Links, f.Size = n.fileMode(), int(n.links()), n.size
		f.Modified = n.modified()
	}
	if err == nil {
		f.Extents, err = w.locate(n)
	}
	if errors.Is(err, errSpent) {
		return err
	}
	f.Err = err
	if err != nil && (n == nil || !n.is(modeRegular) && !n.is(modeSymlink)) {
		at, code := placeOf(n, err)
		w.note(disk.Warningf(code, at,
			"%q (inode %d) is a directory, or may be one, and cannot be entered: %v. Files in it are not listed.",
			path, ino, err).Hiding())
	}
	if err := w.visit(f); err != nil {
		return err
	}
	if n != nil && f.Err == nil && n.is(modeDir) {
		w.later(path, n)
	}
	return nil
}

// locate maps an inode that a directory names.
func (w *walker) locate(n *inode) ([]Extent, error) {
	v := w.v
	switch {
	case n.mode() == 0 || n.links() == 0:
		return nil, v.malformed(n.at, "inode %d is free, but a directory names it", n.number)
	case n.has(flagEncrypt) && !n.is(modeRegular):
		return nil, disk.Unsupportedf(v.Kind(), n.at, -1, "inode %d is encrypted", n.number)
	case n.has(flagEncrypt):
		return nil, disk.Unsupportedf(v.Kind(), n.at, -1, "the contents of inode %d are encrypted", n.number)
	}
	if n.is(modeDir) || n.links() == 1 {
		return w.r.extents(n, &w.spend)
	}
	if _, met := w.linked[n.number]; met {
		return w.r.extents(n, &w.again)
	}
	w.linked[n.number] = struct{}{}
	return w.r.extents(n, &w.spend)
}

func (w *walker) later(path string, n *inode) {
	_, met := w.dirs[n.number]
	switch {
	case met:
		w.note(disk.Warningf(disk.ExtDirectoryLoop, n.at,
			"The directory %q (inode %d, sector %s of the volume) was met before under another name: "+
				"a directory has one. It is not entered again; run e2fsck on a copy.",
			path, n.number, disk.Grouped(n.at)).Hiding())
	case len(path) > maxPath:
		w.note(disk.Warningf(disk.ExtTooDeep, n.at,
			"The directory at inode %d (sector %s of the volume) has a path of %d bytes. "+
				"What lies in it is not read.",
			n.number, disk.Grouped(n.at), len(path)).Hiding())
	default:
		w.dirs[n.number] = struct{}{}
		w.pending = append(w.pending, directory{path, n.number})
	}
}

// directory visits what a directory holds. A part that cannot be read or
// understood is noted and left out.
func (w *walker) directory(d directory) error {
	n, err := w.r.inode(d.ino)
	if err != nil {
		return w.trouble(d, n, err)
	}
	runs, err := w.r.extents(n, &w.spend)
	if err != nil {
		return w.trouble(d, n, err)
	}
	if n.has(flagInline) {
		return w.inlineDirectory(d, n, runs)
	}
	for _, e := range runs {
		if e.Kind != Data {
			continue
		}
		per := w.v.sector(1)
		for s := e.Sectors.Start; s < e.Sectors.End(); s += per {
			if err := w.listing.spend(1); err != nil {
				return err
			}
			b, err := w.r.read(uint64(s / per))
			if err == nil {
				err = w.part(d, b, s)
			}
			if err := w.trouble(d, n, err); err != nil {
				return err
			}
		}
	}
	return nil
}

// inlineDirectory reads a directory kept in its inode: the number of its
// parent, then entries to byte 60; the attribute holds further entries
// (inlinedata.rst, "Inline Directories").
func (w *walker) inlineDirectory(d directory, n *inode, runs []Extent) error {
	for i, e := range runs {
		from := int64(e.Sectors.Start)*int64(w.v.src.SectorSize()) + int64(e.Skip) - n.byteAt
		b := n.raw[from:][:e.Bytes]
		if i == 0 {
			b = b[min(4, len(b)):]
		}
		if err := w.trouble(d, n, w.part(d, b, n.at)); err != nil {
			return err
		}
	}
	return nil
}

// visitError carries an error of the visitor past those of the disk.
type visitError struct{ error }

// trouble notes what is wrong with a directory, and returns only what stops
// the walk.
func (w *walker) trouble(d directory, n *inode, err error) error {
	var stop visitError
	switch {
	case err == nil:
		return nil
	case errors.As(err, &stop):
		return stop.error
	case errors.Is(err, errSpent):
		return err
	}
	at, code := placeOf(n, err)
	w.note(disk.Warningf(code, at,
		"A part of the directory %q (inode %d) cannot be read: %v. Files named only there are not listed.",
		d.path, d.ino, err).Hiding())
	return nil
}

// placeOf says where a directory is damaged, or cannot be read, and which it is. n is
// its inode, nil if that is not known.
func placeOf(n *inode, err error) (at disk.Sector, code disk.Code) {
	at, code = disk.NoSector, disk.ExtDirectoryUnread
	if n != nil {
		at = n.at
	}
	var f *disk.FormatError
	var u *image.UnknownError
	if errors.As(err, &f) {
		at, code = f.Sector, disk.ExtDirectoryDamaged
	} else if errors.As(err, &u) {
		at = u.Start
	}
	return at, code
}

// part visits the entries of one block of a directory.
func (w *walker) part(d directory, b []byte, at disk.Sector) error {
	return w.v.entries(b, at, func(name []byte, ino uint32) error {
		if dots(name) {
			return nil
		}
		if err := checkName(name); err != nil {
			w.note(disk.Warningf(disk.ExtBadName, at,
				"An entry of the directory %q in sector %s of the volume is left out: %v.",
				d.path, disk.Grouped(at), err).Hiding())
			return nil
		}
		path := string(name)
		if d.path != "." {
			path = d.path + "/" + path
		}
		if err := w.file(path, ino); err != nil {
			return visitError{err}
		}
		return nil
	})
}
