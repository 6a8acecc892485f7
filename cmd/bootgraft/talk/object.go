package talk

import (
	"errors"
	"sync"
	"time"

	"bootgraft/cmd/bootgraft/document"
)

// lastWait is how long a program that ends at once waits for whoever reads its
// answer.
const lastWait = time.Second

// object is the one JSON object of the answer. It waits for the end of the
// program, for only then it is known how that ends. Whoever comes first writes
// it: the work that came to its end, or the second Ctrl-C, which comes in
// another goroutine.
type object struct {
	mu    sync.Mutex
	value document.Document // nil: there is none
	over  bool
}

// Document takes the one JSON object of the answer, if JSON is wanted. It is
// written when the program ends, see Said, and does not change any more.
func (u *UI) Document(d document.Document) {
	o := u.object
	if !u.JSON || o == nil { // or a conversation that is not that of the process
		return
	}
	o.mu.Lock()
	defer o.mu.Unlock()
	o.value = d
}

// writeObject writes the object of the answer, which says why the program does
// not end with 0. Without one it says only that, but never after something else
// was written.
func (u *UI) writeObject(err error) error {
	code := ExitCode(err)
	var failed *document.Error
	if code != ExitDone && code != ExitUsage {
		failed = &document.Error{Code: errorCode(err), Text: errorSentence(err)}
	}
	o := u.object
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.over || o.value == nil && (failed == nil || u.answer.used) {
		return nil
	}
	o.over = true
	value := o.value
	if value == nil {
		value = document.NewFailed()
	}
	b, wrong := document.Marshal(value, failed)
	if wrong != nil {
		return wrong
	}
	_, wrong = u.Out.Write(b)
	return wrong
}

// objectAtOnce writes the object of a program that ends at once. Nobody shall
// wait for a pipe that is not read.
func (u *UI) objectAtOnce(text string, code int) {
	if !u.JSON {
		return
	}
	written := make(chan struct{})
	go func() {
		defer close(written)
		_ = u.writeObject(Coded(code, errors.New("ended at once. "+text))) // it ends all the same
	}()
	select {
	case <-written:
	case <-time.After(lastWait):
	}
}
