package capture

import (
	"crypto/sha256"
	"sync"

	"bootgraft/layout"
)

// buffers is how many reads may wait to be hashed and written.
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
	app           appender
	same          sameness
	marking       chan error // of a mark that was begun, nil if none
	marked        int64      // the line that it will name

	jobs chan job
	free chan []byte
	done chan struct{}

	mu  sync.Mutex
	err error
}

func newJournal(img, record File, sectorSize int, app appender) *journal {
	j := &journal{
		image: img, record: record, sectorSize: int64(sectorSize), app: app,
		jobs: make(chan job, buffers),
		free: make(chan []byte, buffers),
		done: make(chan struct{}),
	}
	for range buffers {
		j.free <- make([]byte, blockBytes)
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

// write appends one line.
func (j *journal) write(l *Line) error {
	off := j.app.off
	_, err := j.record.WriteAt(j.app.line(l), off)
	return err
}

func (j *journal) note(l Line) {
	j.do(func() error { return j.write(&l) })
}

// keep stores what was read and then says so. It takes buf over.
func (j *journal) keep(l Line, buf []byte, used bool) {
	store := func() error {
		b := buf[:int64(l.Span.Count)*j.sectorSize]
		l.Digest = sha256.Sum256(b)
		j.same.see(l.Span, l.Digest, b, used)
		err := j.store(b, int64(l.Span.Start)*j.sectorSize)
		if err == nil {
			err = j.write(&l)
		}
		return err
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
		j.marking, j.marked = make(chan error, 1), j.app.lines+1
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
		err = j.write(&Line{Verb: VerbSync, Numbers: []int64{j.marked}})
	}
	if err == nil {
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
	j.mark()
	j.do(j.markDone)
	return j.flush()
}

// promise writes a line and returns when it is durable.
func (j *journal) promise(l Line) error {
	j.do(func() error {
		if err := j.write(&l); err != nil {
			return err
		}
		return j.record.Sync()
	})
	return j.flush()
}

// put writes into the image without a line.
func (j *journal) put(at layout.Sector, b []byte) {
	j.do(func() error {
		_, err := j.image.WriteAt(b, int64(at)*j.sectorSize)
		return err
	})
}
