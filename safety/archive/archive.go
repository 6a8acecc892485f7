// Package archive gathers everything about one card in a folder that explains itself:
// the image of the drive and its record, the plan, receipts, notes, photos, pages, and a
// text that says how to check and rewrite the card without this program.
//
//	DIR/HOW.txt           what lies here, and the lines to type
//	DIR/CONTENTS.sha256   one line a file, as sha256sum writes them and -c reads them:
//	                      64 digits, two blanks, the name from DIR on
//	DIR/card.plan         and receipts, under their own names
//	DIR/old.img           and old.img.record, old.img.notes.txt
//	DIR/card.img          the finished card, where the plan makes bytes new or copies
//	                      too many runs to type; holes where nothing is written
//	DIR/photos/...        as they were given, byte for byte
//
// The folder is made under another name, read back, and gets its own last: whoever
// finds DIR finds all of it.
package archive

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/safety/newfile"
)

// The names of the two files that every archive has.
const (
	HowName      = "HOW.txt"
	ContentsName = "CONTENTS.sha256"
)

// Item is one file of an archive: a file that is copied, a card, or a text.
type Item struct {
	Name string // in the archive; a slash parts folders
	What string // one line for people
	Path string // of the file that is copied

	Card   image.Source   // instead of Path: a planned card
	Pieces []layout.Piece // and its plan
	Text   []byte         // instead of both
	Pack   bool           // stored packed; the name has packed.Suffix then
}

// File is a file of an archive that was made.
type File struct {
	Name, What string
	Bytes      int64
	SHA256     string
}

// Job says what goes into an archive.
type Job struct {
	Dir   string
	Items []Item
	// How writes the text that explains the folder, from its files.
	How      func(files []File) []byte
	Progress func(done, total int64)
}

// PlaceError says why an archive cannot be made in a folder. Nothing was written.
type PlaceError struct{ Why, Do string }

func (e *PlaceError) Error() string { return e.Why + ". " + e.Do }

// block is how much is read and written at once, in bytes.
const block = 1 << 20

// Make makes an archive. After an error there is none, or it says that the archive stands whole;
// what was there before is untouched. The error is a *PlaceError where the destination cannot hold it.
func Make(ctx context.Context, job Job) ([]File, error) {
	m := &maker{ctx: ctx, job: job}
	if err := m.measure(); err != nil {
		return nil, err
	}
	var err error
	m.draft, err = newfile.BeginFolder(job.Dir)
	switch {
	case errors.Is(err, newfile.ErrTaken):
		return nil, &PlaceError{job.Dir + " is there already, and an archive is put over nothing", "Give a new name"}
	case errors.Is(err, newfile.ErrNotEmpty):
		return nil, &PlaceError{job.Dir + newfile.Unfinished + " is in the way, and no run of this program left it",
			"Look at it and move it away"}
	case errors.Is(err, newfile.ErrInUse):
		return nil, &PlaceError{"another run is making " + job.Dir + " now", "Wait for it"}
	case err != nil:
		return nil, fmt.Errorf("the folder %s cannot be made: %w", job.Dir, err)
	}
	if err := m.fill(); err != nil {
		return nil, errors.Join(err, m.draft.Discard())
	}
	if err := m.draft.Publish(); err != nil {
		return nil, errors.Join(fmt.Errorf("finishing %s: %w", job.Dir, err), m.draft.Discard())
	}
	return m.files, nil
}

type maker struct {
	ctx         context.Context
	job         Job
	draft       *newfile.FolderDraft
	files       []File
	done, total int64
}

// measure finds out, before anything is made, whether the destination can hold it.
func (m *maker) measure() error {
	var largest, stored, whole int64
	for _, it := range m.job.Items {
		size, data, err := it.size()
		if err != nil {
			return err
		}
		m.total += 2 * size // written, and read back
		if it.Pack {        // what does not pack takes a little more than it is
			size = data + data/100
		}
		largest, stored, whole = max(largest, size), stored+data, whole+size
	}
	parent := newfile.FolderOf(filepath.Clean(m.job.Dir))
	if dev, err := newfile.UnderDev(parent); err == nil && dev {
		return &PlaceError{m.job.Dir + " would lie among the device nodes, in memory", "Give a folder on a disk"}
	}
	holes, err := newfile.Probe(parent, largest)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return &PlaceError{"there is no folder " + parent, "Make it first"}
	case errors.Is(err, newfile.ErrTooLarge):
		return &PlaceError{fmt.Sprintf("the file system of %s cannot hold a file of %s", parent,
			disk.Counted(largest, "byte")),
			"Give a folder on another one, or --pack the image"}
	case err != nil:
		return fmt.Errorf("nothing can be written in %s: %w", parent, err)
	}
	need, why := stored, ""
	if !holes {
		need, why = whole, ", for its file system stores holes too"
	}
	const beside = 1 << 20 // the texts, and what a file system needs for names: by hand, no source
	free, known := newfile.OS{}.Room(parent)
	if known && need+beside > free {
		return &PlaceError{fmt.Sprintf("the archive needs %s in %s%s, and there are %s left", disk.Counted(need, "byte"),
			parent, why, disk.Grouped(free)),
			"Make room, give a folder on another disk, or --pack the image"}
	}
	return nil
}

// size returns the length of an item, and how much of it is stored.
func (it *Item) size() (size, stored int64, err error) {
	switch {
	case it.Path != "":
		f, err := image.Open(it.Path, 512)
		if err != nil {
			return 0, 0, err
		}
		defer f.Close()
		for off := int64(0); off < f.Size(); {
			start, end := f.NextData(off)
			stored += end - start
			off = end
		}
		return f.Size(), stored, nil
	case it.Card != nil:
		n := int64(it.Card.SectorSize())
		for _, q := range it.Pieces {
			if q.Op == layout.Copy || q.Op == layout.Render {
				stored += int64(q.Count) * n
			}
		}
		return it.Card.Size(), stored, nil
	}
	return int64(len(it.Text)), int64(len(it.Text)), nil
}

// fill writes every file, the texts last, and reads all of it back.
func (m *maker) fill() error {
	for _, it := range m.job.Items {
		if err := m.put(it); err != nil {
			return err
		}
	}
	if err := m.put(Item{Name: HowName, What: "this text", Text: m.job.How(m.files)}); err != nil {
		return err
	}
	var list []byte
	for _, f := range m.files {
		list = fmt.Appendf(list, "%s  %s\n", f.SHA256, f.Name)
	}
	contents := m.files
	if err := m.put(Item{Name: ContentsName, Text: list}); err != nil {
		return err
	}
	m.files = contents
	if err := m.draft.Flush(); err != nil {
		return fmt.Errorf("flushing %s: %w", m.draft.Temp(), err)
	}
	c, err := check(m.ctx, m.draft.Temp(), m.moved)
	if err == nil && !c.Whole() {
		err = fmt.Errorf("what was written to %s does not read back as it was: %v%v. Is that disk in order?", m.draft.Temp(),
			c.Damaged, c.Missing)
	}
	return err
}

// put writes one file and remembers its SHA-256.
func (m *maker) put(it Item) (err error) {
	f, err := m.draft.Create(it.Name)
	if err != nil {
		return fmt.Errorf("%s cannot be made in the archive: %w", it.Name, err)
	}
	defer f.Abandon()
	w := &writer{maker: m, to: f, sum: sha256.New()}
	if it.Pack {
		if err := w.packInto(f); err != nil {
			return err
		}
	}
	if err = w.item(it); err == nil {
		err = w.end(f)
	}
	if err != nil {
		return fmt.Errorf("%s: %w", it.Name, err)
	}
	m.files = append(m.files, File{it.Name, it.What, w.at, hex.EncodeToString(w.sum.Sum(nil))})
	return f.Finish(w.modified)
}

func (m *maker) moved(n int64) {
	m.done += n
	if m.job.Progress != nil {
		m.job.Progress(min(m.done, m.total), m.total)
	}
}

// zeros stand for what is not stored.
var zeros [block]byte

// SumOfWritten hashes what a plan writes on a card, in the order of the card; with whole,
// what it does not touch counts as zeros.
func SumOfWritten(ctx context.Context, card image.Source, pieces []layout.Piece, whole bool) (string, error) {
	w := &writer{maker: &maker{ctx: ctx}, to: nowhere{}, sum: sha256.New()}
	var written []layout.Piece
	for _, q := range pieces {
		if whole || q.Op != layout.Leave {
			written = append(written, q)
		}
	}
	err := w.card(card, written)
	return hex.EncodeToString(w.sum.Sum(nil)), err
}

type nowhere struct{}

func (nowhere) WriteAt(b []byte, _ int64) (int, error) { return len(b), nil }
