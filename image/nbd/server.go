package nbd

import (
	"bufio"
	"context"
	"errors"
	"net"
	"sync"
	"time"
)

// Bounds of the server: by hand, no source. A virtual machine needs one or two
// connections.
const (
	mostClients   = 8
	handshakeTime = 10 * time.Second
)

// server serves one disk to everybody who reaches its listener.
type server struct {
	View *view
	// Gone, if it is not nil, is called when the last client has taken its leave
	// after at least one read.
	Gone func()

	mu    sync.Mutex
	conns map[net.Conn]bool
	ended bool
}

// Serve answers clients until ctx ends, and then ends every connection and returns
// nil. The error is that of the listener. The listener is closed in any case.
func (s *server) Serve(ctx context.Context, l net.Listener) error {
	stop := context.AfterFunc(ctx, func() {
		l.Close()
		s.end()
	})
	defer stop()
	defer l.Close()
	var all sync.WaitGroup
	defer all.Wait()
	slots := make(chan struct{}, mostClients)
	for {
		c, err := l.Accept()
		switch {
		case err != nil && ctx.Err() != nil:
			return nil
		case err != nil:
			s.end()
			return err
		}
		select {
		case slots <- struct{}{}:
		default: // a client that is one too many may try again
			c.Close()
			continue
		}
		if !s.begin(c) {
			c.Close()
			<-slots
			continue
		}
		all.Go(func() {
			defer func() { <-slots }()
			s.talk(c)
			s.left(c)
		})
	}
}

func (s *server) begin(c net.Conn) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.ended {
		return false
	}
	if s.conns == nil {
		s.conns = map[net.Conn]bool{}
	}
	s.conns[c] = true
	return true
}

// left closes a connection, and tells when nobody is there any more.
func (s *server) left(c net.Conn) {
	c.Close()
	s.mu.Lock()
	delete(s.conns, c)
	last := len(s.conns) == 0 && !s.ended
	s.mu.Unlock()
	if last && s.Gone != nil && s.View.wasRead() {
		s.Gone()
	}
}

// end closes all connections: a client that says nothing would be waited for.
func (s *server) end() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.ended = true
	for c := range s.conns {
		c.Close()
	}
}

// talk serves one client. What it does wrong ends its connection and nothing else.
func (s *server) talk(c net.Conn) {
	k := &client{view: s.View, in: bufio.NewReaderSize(c, 64<<10), out: c}
	if err := c.SetDeadline(time.Now().Add(handshakeTime)); err != nil {
		return
	}
	if err := k.handshake(); err != nil {
		return
	}
	if err := c.SetDeadline(time.Time{}); err != nil {
		return
	}
	s.View.met()
	for {
		if err := k.request(); err != nil {
			if !errors.Is(err, errEnd) {
				s.View.broke()
			}
			return
		}
	}
}
