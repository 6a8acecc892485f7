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
		if t.run != nil && j.failed() == nil {
			if err := t.run(); err != nil {
				j.mu.Lock()
				j.err = err
				j.mu.Unlock()
			}
		}
		if t.after != nil {
			t.after()
		}
	}
}

func (j *journal) do(run func() error) { j.jobs <- job{run: run} }

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
func (j *journal) keep(l Line, buf []byte) {
	store := func() error {
		b := buf[:int64(l.Span.Count)*j.sectorSize]
		l.Digest = sha256.Sum256(b)
		j.same.see(l.Span, l.Digest, b)
		_, err := j.image.WriteAt(b, int64(l.Span.Start)*j.sectorSize)
		if err == nil {
			err = j.write(&l)
		}
		return err
	}
	j.jobs <- job{store, func() { j.free <- buf }}
}

// mark makes all that was handed over durable, data first, and says so.
func (j *journal) mark() {
	j.do(func() error {
		if err := j.image.Sync(); err != nil {
			return err
		}
		if err := j.write(&Line{Verb: VerbSync, Numbers: []int64{j.app.lines + 1}}); err != nil {
			return err
		}
		return j.record.Sync()
	})
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
