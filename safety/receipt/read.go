package receipt

import (
	"bufio"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"hash"
	"io"
	"slices"
	"time"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/plan"
	"bootgraft/safety/blockdev"
	"bootgraft/safety/newfile"
)

// Receipt is a receipt that was read.
type Receipt struct {
	Header
	Path   string
	Digest string      // of everything up to the seal; empty if it was never sealed
	Stage  Stage       // the last one that was begun
	Upto   disk.Sector // the data before it is on the medium
	Last   time.Time   // when the last line was written

	Undoing bool       // an undo was begun
	bulk    bool       // data was written at some time: a later run may have begun again at the fence
	Proof   Proof      // by what its card is known
	Differ  disk.Spans // sectors that did not come back as they were written

	index []keptAt
	End   int64 // where the next line goes
}

type keptAt struct {
	keptLine
	off int64
}

// Read reads a receipt and proves what lies before its seal. A receipt
// without a seal is whole as far as it goes: nothing was written to its card.
func Read(path string) (*Receipt, error) {
	f, err := opened(path, newfile.Peek)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	r, err := From(f, path)
	if err == nil && r.Format == "" {
		return nil, fmt.Errorf("%s is no receipt that can be trusted: it was cut off in its first line", path)
	}
	return r, err
}

// ReadLocked reads a receipt that no other run works with: to go on with it, or
// to say whether that can be done.
func ReadLocked(path string) (*Receipt, error) {
	f, err := opened(path, newfile.Read)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return From(f, path)
}

// From reads a receipt from an open file.
func From(f io.Reader, path string) (*Receipt, error) {
	r := &Receipt{Path: path, Stage: StageKeep}
	if err := r.read(f); err != nil {
		if newer := (*disk.NewerFormError)(nil); errors.As(err, &newer) {
			return nil, fmt.Errorf("%s: %w", path, newer)
		}
		return nil, fmt.Errorf("%s is no receipt that can be trusted: %w", path, err)
	}
	return r, nil
}

func (r *Receipt) read(f io.Reader) error {
	in := &reader{in: bufio.NewReaderSize(f, 64<<10), hash: sha256.New()}
	text, err := in.line()
	if (errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF)) && isOpening(text) {
		return nil // cut off in its first line, or before it
	}
	if err != nil {
		return fmt.Errorf("its first line: %w", err)
	}
	if err := json.Unmarshal(text, &r.Header); err != nil || r.Header.Format != Format {
		return errors.New("its first line is not that of a receipt")
	}
	if err := layout.NoKeyTwice(text); err != nil {
		return fmt.Errorf("its first line: %w", err)
	}
	switch {
	case r.Version > Version:
		return &disk.NewerFormError{What: "receipt", Form: int64(r.Version), Most: Version}
	case r.Version < 1:
		return fmt.Errorf("there is no version %d of a receipt", r.Version)
	}
	if err := r.checkHeader(); err != nil {
		return err
	}
	if err := r.readKept(in); err != nil || r.Digest == "" {
		return err
	}
	return r.readProgress(in)
}

func (r *Receipt) checkHeader() error {
	if err := disk.CheckWriter(r.Writer); err != nil {
		return err
	}
	// 2^54 sectors of 512 bytes are 2^63 bytes, more than an offset can say.
	if image.CheckSectorSize(r.Card.SectorSize) != nil || r.Card.Sectors < 1 || r.Card.Sectors > 1<<54 {
		return fmt.Errorf("its card of %s of %d bytes is no disk", disk.Counted(r.Card.Sectors, "sector"), r.Card.SectorSize)
	}
	for _, set := range []disk.Spans{r.Kept, r.Fence} {
		if err := r.checkSpans(set); err != nil {
			return err
		}
	}
	return r.checkNew()
}

func (r *Receipt) checkSpans(set disk.Spans) error {
	at := disk.Sector(0)
	for _, s := range set {
		if s.Start < at || s.Count < 1 || s.Count > r.Card.Sectors || s.Start > r.Card.Sectors-s.Count {
			return fmt.Errorf("%s is out of order, or not on a card of %s", s, disk.Counted(r.Card.Sectors, "sector"))
		}
		at = s.End()
	}
	return nil
}

// checkNew checks what the planned content says. Only a write has any.
func (r *Receipt) checkNew() error {
	n := r.New
	if n == nil && (r.Kind != Write || r.Version == 1) {
		return nil
	}
	if n == nil || r.Kind != Write || r.Version == 1 {
		return errors.New("what it says of the new content does not fit its kind")
	}
	if size := r.Card.SectorSize; len(n.Mark) != size || len(n.Sector0) != 0 && len(n.Sector0) != size {
		return fmt.Errorf("the sectors that it names have not %d bytes", size)
	}
	return r.checkSpans(n.Tables)
}

// isOpening tells whether a file that holds no more than text may be a receipt
// that was cut off in its first line.
func isOpening(text []byte) bool {
	n := min(len(text), len(opening))
	return string(text[:n]) == opening[:n]
}

// readKept reads up to the seal. A file that ends before it was cut off before
// the card was touched; one that cannot be read there tells nothing of the kind.
func (r *Receipt) readKept(in *reader) error {
	var kept disk.Spans
	at := disk.Sector(0)
	for {
		before := in.sum()
		text, err := in.line()
		if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
			return nil
		}
		if err != nil {
			return err
		}
		var l Line
		if err := json.Unmarshal(text, &l); err != nil {
			return fmt.Errorf("a line at byte %d: %w", in.off, err)
		}
		switch {
		case l.Sealed != "" && l.Sealed != before:
			return errors.New("its content was changed: it does not fit its seal")
		case l.Sealed != "" && !slices.Equal(kept, r.Kept):
			return errors.New("it does not hold the sectors that its header names")
		case l.Sealed != "":
			r.Digest, r.End = before, in.off
			return nil
		case l.Kept == nil || l.Kept.Start < at || !fits(*l.Kept, r.Card):
			return fmt.Errorf("the line before byte %d is neither a kept part in its order nor a seal", in.off)
		}
		r.index = append(r.index, keptAt{*l.Kept, in.off})
		kept = kept.Add(l.Kept.Span)
		at = l.Kept.End()
		if err := in.skip(l.Kept.Bytes + 1); errors.Is(err, io.EOF) {
			return nil
		} else if err != nil {
			return err
		}
	}
}

func fits(k keptLine, c CardID) bool {
	return disk.Span{Start: k.Start, Count: k.Count}.Inside(c.Sectors) && int64(k.Count) <= int64(Chunk/c.SectorSize) &&
		k.Bytes > 0 && k.Bytes <= maxKept
}

// readProgress reads what came after the seal. A torn last line is no line.
func (r *Receipt) readProgress(in *reader) error {
	for range maxProgress {
		text, err := in.line()
		if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
			return nil
		}
		if err != nil {
			return err
		}
		var l Line
		if err := json.Unmarshal(text, &l); err != nil || l.Stage == "" {
			return nil // a line that was torn, and what follows it
		}
		if r.checkSpans(l.Differ) != nil {
			return nil
		}
		r.End = in.off
		r.progress(l)
	}
	return fmt.Errorf("it has more than %d lines after its seal", maxProgress)
}

// progress takes in one line.
func (r *Receipt) progress(l Line) {
	if l.Time != nil {
		r.Last = *l.Time
	}
	r.Differ = r.Differ.Union(l.Differ)
	r.Undoing = r.Undoing || l.Stage == StageUndo
	if len(l.Differ) == 0 { // a step back begins no stage
		r.Proof = r.proofAfter(l.Stage)
	}
	if r.Undoing && l.Stage != StageUndone || l.Stage == StageMarked {
		return // what the write had come to still decides
	}
	r.Stage, r.bulk = l.Stage, r.bulk || l.Stage == StageData
	if l.Stage == StageData || l.Upto > 0 {
		r.Upto = min(max(l.Upto, 0), r.Card.Sectors)
	}
}

// proofAfter is by what the card is known after a stage was begun. When a write
// begins again at the fence the card still is as the run before it left it.
func (r *Receipt) proofAfter(s Stage) Proof {
	switch {
	case s == StageMarked:
		return ByMark
	case s == StageSector0 && r.Undoing, s == StageUndone:
		return ByKept
	case s == StageSector0, s == StageDone:
		return ByPlan
	case r.Proof == Untouched && r.Kind == Write:
		return ByKept
	case r.Proof == Untouched:
		return ByMark
	}
	return r.Proof
}

// reader reads lines and frames, and hashes them.
type reader struct {
	in   *bufio.Reader
	hash hash.Hash
	off  int64
}

func (r *reader) sum() string { return hex.EncodeToString(r.hash.Sum(nil)) }

func (r *reader) line() ([]byte, error) {
	var out []byte
	for {
		part, err := r.in.ReadSlice('\n')
		out = append(out, part...)
		if err == nil {
			break
		}
		if !errors.Is(err, bufio.ErrBufferFull) {
			if len(out) > 0 && errors.Is(err, io.EOF) {
				err = io.ErrUnexpectedEOF
			}
			return out, err
		}
		if len(out) > maxLine {
			return nil, fmt.Errorf("a line has more than %d bytes", maxLine)
		}
	}
	r.hash.Write(out)
	r.off += int64(len(out))
	return out, nil
}

func (r *reader) skip(n int64) error {
	got, err := io.CopyN(r.hash, r.in, n)
	r.off += got
	return err
}

// Same tells whether a device may be the card of the receipt. A card that says
// nothing of itself is known by its size alone.
func (r *Receipt) Same(f blockdev.Facts) bool { return r.Card == IDOf(f) }

// Disk returns the size of the card.
func (r *Receipt) Disk() plan.Size {
	return plan.Size{Sectors: r.Card.Sectors, SectorSize: r.Card.SectorSize}
}

// Finished tells whether the work of the receipt came to its end, and no undo of
// it was begun, or that one did.
func (r *Receipt) Finished() bool {
	return r.Stage == StageDone && !r.Undoing || r.Stage == StageUndone
}

// Untouched tells whether by the receipt nothing was written to its card.
func (r *Receipt) Untouched() bool { return r.Digest == "" || r.Proof == Untouched }

// Fenced tells whether by the receipt sector 0 is blank, so that no system takes
// the card for a disk. Before its mark is on the medium the card may still be
// the old disk, and from the last stage on the new one. A test raises no fence
// that its receipt would tell of.
func (r *Receipt) Fenced() bool {
	return r.New != nil && len(r.New.Sector0) > 0 && r.Proof == ByMark
}

// Suffices tells whether what was kept is all that may have been replaced. Of a receipt
// that tells of no write nobody knows how much that was.
func (r *Receipt) Suffices() bool {
	return r.Digest != "" && (r.All || !r.bulk && r.Proof != Untouched)
}
