package capture

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"runtime"
	"strconv"

	"bootgraft/image/capture/record"
)

// salvageFor reads the damaged record of a capture that is to go on with a
// drive of geometry g, into an image of so many bytes.
func salvageFor(p *pair, g record.Drive, size int64) (*record.Record, error) {
	n, err := p.record.Size()
	if err != nil {
		return nil, err
	}
	rec, err := record.SalvageAs(io.NewSectionReader(p.record, 0, n), g)
	var f *record.LineError
	if errors.As(err, &f) {
		return nil, &TargetError{p.Image, fmt.Sprintf(
			"%s is there and is not the record of a capture (%s); choose another name for the image",
			p.Target.record(), f.Why)}
	}
	if err == nil && size == 0 {
		return nil, &TargetError{p.Image, fmt.Sprintf(
			"%s is there, is not whole, and there is no image that could prove it; "+
				"choose another name for the image",
			p.Target.record())}
	}
	if err == nil {
		err = rec.SizeFits(size)
	}
	if err == nil {
		_, err = rec.Prove(p.image)
	}
	return rec, err
}

// mostKept is how many damaged records of one capture are kept beside it: chosen by
// hand, no source; the search for a free name ends there.
const mostKept = 100

// mend puts a whole record, of what could be proved, in the place of the
// damaged one, which is kept beside it.
func (e *engine) mend(p *pair) error {
	name := p.Target.record()
	kept, f, err := createBeside(p.Storage, name+".damaged")
	if err != nil {
		return err
	}
	if err = copyFile(f, p.record); err == nil {
		err = f.Sync()
	}
	if err = errors.Join(err, f.Close()); err != nil {
		return errors.Join(err, p.Storage.Remove(kept))
	}
	by, f, err := createBeside(p.Storage, name+".new")
	if err != nil {
		return err
	}
	e.rec.SuspectWindow()
	end, err := e.rec.Rewrite(f)
	if err == nil {
		err = f.Sync()
	}
	if err != nil {
		return errors.Join(err, p.Storage.Remove(by), f.Close())
	}
	if f, err = p.replaceRecord(by, f); err != nil {
		return err
	}
	e.record = f
	e.opened = append(e.opened, e.rec.DamageFinding(name, kept))
	// What was salvaged is what the new record says, and is marked.
	e.rec, err = readFrom(f)
	if err == nil && e.rec.End != end {
		err = errors.New("the mended record does not read as it was written")
	}
	return err
}

// replaceRecord puts the file by, open as f, in the place of the record, and returns it as it
// is open now. Windows gives no open file another's name: there both are closed for the
// moment, and whoever takes the record in it has it.
func (p *pair) replaceRecord(by string, f File) (File, error) {
	name, was := p.Target.record(), p.record
	if runtime.GOOS != "windows" {
		if err := p.Storage.Replace(name, by); err != nil {
			return nil, errors.Join(err, p.Storage.Remove(by), f.Close())
		}
		p.record = f
		return f, was.Close()
	}
	p.record = nil
	if err := errors.Join(f.Close(), was.Close()); err != nil {
		return nil, errors.Join(err, p.Storage.Remove(by))
	}
	if err := p.Storage.Replace(name, by); err != nil {
		return nil, errors.Join(err, p.Storage.Remove(by))
	}
	f, err := p.Storage.Open(name)
	if err == nil {
		p.record = f
	}
	return f, err
}

// createBeside makes a file of a name that nothing has.
func createBeside(s Storage, name string) (string, File, error) {
	for i := range mostKept {
		try := name
		if i > 0 {
			try += "-" + strconv.Itoa(i+1)
		}
		f, err := s.Create(try)
		if err == nil || !errors.Is(err, fs.ErrExist) {
			return try, f, err
		}
	}
	return "", nil, fmt.Errorf("there are %d files %s already: put them elsewhere", mostKept, name)
}

func copyFile(to io.WriterAt, from File) error {
	size, err := from.Size()
	if err != nil {
		return err
	}
	_, err = io.Copy(io.NewOffsetWriter(to, 0), io.NewSectionReader(from, 0, size))
	return err
}
