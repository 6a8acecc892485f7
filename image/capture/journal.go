package capture

import (
	"crypto/sha256"
	"errors"
	"sync"

	"bootgraft/image/capture/record"
	"bootgraft/image/disk"
)

// heldBytes is the largest read whose line waits for that of the next: the second
// step round a bad spot, of which there are up to eight in a block.
const heldBytes = smallSectors * 512

// buffers is how many reads may wait to be hashed and written: 16 MiB of memory, by
// hand, no source. The drive is to wait for the other disk as seldom as may be.
const buffers = 16

// job is one step of writing. After runs even when an earlier step failed.
type job struct {
	run   func() error
	after func()
}

// journal writes image and record, in the order in which things happened, in a
// goroutine of its own: while one block is hashed and written, the next is
// read. The first error ends all writing.
type journal struct {
	image, record File
	sectorSize    int64
	app           record.Appender
	before        record.Appender // as it was before the announcement at the end
	about         []disk.Span     // what that announces, nil if the last line is another
	open          bool            // an announcement before it was not answered by a line
	end           int64           // of the record
	held          held
	same          sameness
	whole         *whole     // nil if the image is not hashed
	marking       chan error // of a mark that was begun, nil if none
	marked        int64      // the line that it will name

	jobs chan job
	free chan []byte
	made int // buffers so far
	done chan struct{}

	mu  sync.Mutex
	err error
}

func newJournal(img, record File, sectorSize int, app record.Appender) *journal {
	j := &journal{
		image: img, record: record, sectorSize: int64(sectorSize), app: app, end: app.Off,
		jobs: make(chan job, buffers),
		free: make(chan []byte, buffers),
		done: make(chan struct{}),
	}
	go j.work()
	return j
}

func (j *journal) work() {
	defer close(j.done)
	for t := range j.jobs {
		if j.failed() == nil {
			j.fail(j.markIfReady())
		}
		if t.run != nil && j.failed() == nil {
			j.fail(t.run())
		}
		if t.after != nil {
			t.after()
		}
	}
}

func (j *journal) do(run func() error) { j.jobs <- job{run: run} }

func (j *journal) fail(err error) {
	j.mu.Lock()
	defer j.mu.Unlock()
	j.err = err
}

func (j *journal) failed() error {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.err
}

// buffer returns one of the buffers, which comes back through keep or free. No
// more of them are made than are in use at once.
func (j *journal) buffer() []byte {
	select {
	case b := <-j.free:
		return b
	default:
	}
	if j.made < buffers {
		j.made++
		return make([]byte, record.BlockBytes)
	}
	return <-j.free
}

// flush waits until all that was handed over is written, not synced.
func (j *journal) flush() error {
	c := make(chan struct{})
	j.jobs <- job{after: func() { close(c) }}
	<-c
	return j.failed()
}

// close ends the goroutine. The files stay open.
func (j *journal) close() error {
	close(j.jobs)
	<-j.done
	if j.marking != nil { // after an error: the file is closed only when nobody uses it
		<-j.marking
	}
	return j.failed()
}

// write appends one line. An announcement that nothing has followed makes room
// for the next: no read is announced before the last has returned.
func (j *journal) write(l *record.Line) error {
	switch {
	case l.Verb == record.VerbAbout:
		j.takeBack()
		j.before, j.about = j.app, l.Spans
	case l.Verb == record.VerbSilent: // stands behind what it narrows, and goes with it
		if j.about == nil {
			j.before = j.app
		}
		j.about = []disk.Span{l.Span}
	case j.about != nil:
		j.about, j.open = nil, true
	}
	if l.Verb == record.VerbAnswered {
		j.open = false
	}
	off := j.app.Off
	if off < j.end { // first it is taken away: cut off in between, no half of it may stay behind the line
		if err := j.record.Truncate(off); err != nil {
			return err
		}
	}
	_, err := j.record.WriteAt(j.app.Line(l), off)
	j.end = j.app.Off
	return err
}

// takeBack lets the next line take the place of the announcement at the end.
func (j *journal) takeBack() {
	if j.about != nil {
		j.app, j.about = j.before, nil
	}
}

// answer takes the announcement at the end back, if the line says what came of
// all that it announced. Round a bad spot every read is announced, and the
// record would be made of little else. Its promise is kept by then: a write that
// is torn loses, at worst, what is in the image already.
func (j *journal) answer(l *record.Line) error {
	switch l.Verb {
	case record.VerbGood, record.VerbFailed, record.VerbTight, record.VerbMissing:
	default:
		return nil
	}
	for _, a := range j.about {
		if !l.Span.Covers(a) {
			return nil
		}
	}
	if j.about == nil {
		return nil
	}
	j.takeBack()
	if !j.open { // else an older announcement would seem to be the last word
		return nil
	}
	return j.write(&record.Line{Verb: record.VerbAnswered})
}

// append writes what is held back, and then a line that comes after it. After an error
// nothing more is written: a line behind a gap would make the record a damaged one.
func (j *journal) append(l *record.Line) error {
	err := j.answer(l)
	if err == nil {
		err = j.release()
	}
	if err == nil {
		err = j.write(l)
	}
	return err
}

// held is what was read in small reads side by side, which become one line: it
// is in the image already, and the record does not say so yet. If the run is
// cut off before, it is read again. There are two runs of it in one block, as a
// bad spot is approached from both sides.
type held struct {
	low, high disk.Span // of no sectors if nothing is held
	used      bool
	old       bool   // since before the last mark
	data      []byte // of the block in which both lie
}

// takes adds a span to what is held, unless it lies beside none of it.
func (h *held) takes(s disk.Span) bool {
	switch {
	case h.low.Empty():
		h.low = s
	case s.Start == h.low.End():
		h.low.Count += s.Count
	case s.End() == h.low.Start:
		h.low = disk.Between(s.Start, h.low.End())
	case !h.high.Empty() && s.End() == h.high.Start:
		h.high = disk.Between(s.Start, h.high.End())
	case !h.high.Empty() && s.Start == h.high.End():
		h.high.Count += s.Count
	case h.high.Empty() && s.Start > h.low.End():
		h.high = s
	default:
		return false
	}
	if !h.high.Empty() && h.low.End() == h.high.Start {
		h.low, h.high = disk.Between(h.low.Start, h.high.End()), disk.Span{}
	}
	return true
}

// hold takes a small read in.
func (j *journal) hold(s disk.Span, b []byte, used bool) error {
	h := &j.held
	if h.data == nil {
		h.data = make([]byte, record.BlockBytes)
	}
	if !j.inHeldBlock(s) || h.used != used || !h.takes(s) {
		if err := j.release(); err != nil {
			return err
		}
		h.low = s
	}
	h.used = used
	copy(h.data[int64(s.Start)*j.sectorSize%record.BlockBytes:], b)
	return nil
}

// inHeldBlock tells whether a span lies in the block of which something is held.
func (j *journal) inHeldBlock(s disk.Span) bool {
	block := disk.Sector(record.BlockBytes / j.sectorSize)
	return !j.held.low.Empty() && j.held.low.Start/block == s.Start/block
}

// release writes the lines of what is held.
func (j *journal) release() error {
	j.held.old = false
	for _, s := range []*disk.Span{&j.held.low, &j.held.high} {
		if s.Empty() {
			continue
		}
		from := int64(s.Start) * j.sectorSize % record.BlockBytes
		b := j.held.data[from : from+int64(s.Count)*j.sectorSize]
		l := record.Line{Verb: record.VerbGood, Span: *s, Digest: sha256.Sum256(b)}
		*s = disk.Span{}
		j.same.see(l.Span, l.Digest, b, j.held.used)
		err := j.answer(&l)
		if err == nil {
			err = j.write(&l)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

func (j *journal) note(l record.Line) {
	j.do(func() error { return j.append(&l) })
}

// keep stores what was read and then says so. It takes buf over.
func (j *journal) keep(l record.Line, buf []byte, used bool) {
	store := func() error {
		b := buf[:int64(l.Span.Count)*j.sectorSize]
		off := int64(l.Span.Start) * j.sectorSize
		// Data first, then the line: no line may speak of what the image does not hold.
		stored := j.whole.storing(b, off)
		err := j.store(b, off)
		if err == nil && len(b) > heldBytes {
			l.Digest = record.Sum(b)
		}
		if err := errors.Join(err, stored()); err != nil {
			return err
		}
		if len(b) <= heldBytes {
			return j.hold(l.Span, b, used)
		}
		j.same.see(l.Span, l.Digest, b, used)
		return j.append(&l)
	}
	j.jobs <- job{store, func() { j.free <- buf }}
}

// mark begins to make durable all that was handed over. Meanwhile more is
// written; when the data are on the disk, a line says up to which line.
func (j *journal) mark() {
	j.do(func() error {
		if err := j.markDone(); err != nil {
			return err
		}
		if j.held.old { // what is held may go on growing, but for no longer than to the next mark
			if err := j.release(); err != nil {
				return err
			}
		}
		j.held.old = !j.held.low.Empty()
		// The line as it is now: of what is written from here on, nobody knows whether the
		// Sync that runs meanwhile takes it along.
		j.marking, j.marked = make(chan error, 1), j.app.Lines+1
		go func(c chan<- error) { c <- j.image.Sync() }(j.marking)
		return nil
	})
}

// markDone waits for the data of a mark that was begun, and writes its line.
func (j *journal) markDone() error {
	if j.marking == nil {
		return nil
	}
	err := <-j.marking
	j.marking = nil
	if err == nil {
		err = j.write(&record.Line{Verb: record.VerbSync, Numbers: []int64{j.marked}})
	}
	if err == nil {
		// Until this returns a power cut leaves the mark before, which says less and is true.
		err = j.record.Sync()
	}
	return err
}

// markIfReady writes the line of a mark whose data are on the disk.
func (j *journal) markIfReady() error {
	if len(j.marking) == 0 {
		return nil
	}
	return j.markDone()
}

// settle returns when all that was handed over is durable.
func (j *journal) settle() error {
	j.do(j.release)
	j.mark()
	j.do(j.markDone)
	return j.flush()
}

// promise writes a line and returns when it is durable.
func (j *journal) promise(l record.Line) error {
	j.do(func() error {
		put := j.append
		if l.Verb == record.VerbSilent || l.Verb == record.VerbAbout && j.inHeldBlock(l.Spans[0]) {
			// what is held may go on growing
			put = j.write
		}
		if err := put(&l); err != nil {
			return err
		}
		// Only the record: what it promises is about reads to come, not about data.
		return j.record.Sync()
	})
	return j.flush()
}

// put writes into the image without a line.
func (j *journal) put(at disk.Sector, b []byte) {
	j.do(func() error {
		off := int64(at) * j.sectorSize
		j.whole.overwrite(off)
		_, err := j.image.WriteAt(b, off)
		return err
	})
}
