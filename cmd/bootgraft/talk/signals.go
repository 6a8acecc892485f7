package talk

import (
	"context"
	"fmt"
	"io"
	"os"
	"os/signal"
	"sync"
	"syscall"
	"time"

	"bootgraft/cmd/bootgraft/words"
)

// hintAfter is how long stopping in order may take before a person is told of
// the second Ctrl-C.
const hintAfter = 4 * time.Second

// standing is what is true while a part of the work is being done: what a
// person must know if the program ends in the midst of it.
type standing struct {
	mu  sync.Mutex
	now []func() (text string, code int)
}

// AtOnce says what to tell a person, and with which code to end, if the program
// ends at once before the returned function is called. Tell is called from
// another goroutine; it must not wait for the work, nor touch a drive or card.
func (u *UI) AtOnce(tell func() (text string, code int)) (over func()) {
	s := u.standing
	if s == nil { // a part of the program without signals of its own
		return func() {}
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.now = append(s.now, tell)
	n := len(s.now) - 1
	return func() {
		s.mu.Lock()
		defer s.mu.Unlock()
		s.now = s.now[:n]
	}
}

// last returns what holds now: by default, that nothing was being changed that
// already existed.
func (s *standing) last() (string, int) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if n := len(s.now); n > 0 {
		return s.now[n-1]()
	}
	return "Nothing that was there before was being written to; an output file that was begun is not whole", ExitStopped
}

// ObeySignals ends ctx in order at the first Ctrl-C, SIGTERM or hang-up, and the
// program at once at the second: a read that a drive never answers cannot be
// ended in order, and nobody shall wait for it.
func ObeySignals(ctx context.Context, u *UI, exit func(int)) (context.Context, func()) {
	ctx, cancel := context.WithCancel(ctx)
	heard := make(chan os.Signal, 2)
	signal.Notify(heard, os.Interrupt, syscall.SIGTERM, syscall.SIGHUP)
	done := make(chan struct{})
	go func() {
		var late <-chan time.Time
		for n := 0; ; {
			select {
			case <-done:
				return
			case <-late:
				late = nil
				u.Sayf("Stopping in order, which waits for a drive or card that does not answer. A second\nCtrl-C ends at once.")
				continue
			case <-heard:
			}
			if n++; n == 1 {
				cancel()
				late = time.After(hintAfter)
				continue
			}
			text, code := u.standing.last()
			u.above.room()
			sayLast(os.Stderr, text)
			u.objectAtOnce(text, code)
			exit(code)
		}
	}()
	return ctx, func() {
		signal.Stop(heard)
		close(done)
		cancel()
	}
}

func sayLast(w io.Writer, text string) {
	fmt.Fprintf(w, "\nbootgraft: ended at once. %s\n", words.Fold("", text))
}
