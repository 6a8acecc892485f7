package nbd

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"syscall"

	"bootgraft/image"
)

// SocketError says that a socket could not be made.
type SocketError struct {
	Err  error
	Dead bool // a socket of that name is there, and nobody listens on it any more
	Long bool // its name is longer than the name of a socket can be
}

func (e *SocketError) Error() string { return fmt.Sprintf("the socket cannot be made: %v", e.Err) }

// Unwrap returns the cause.
func (e *SocketError) Unwrap() error { return e.Err }

// longName is a name that may be too long for a socket: the address of one holds 104
// to 108 bytes (unix(7), sun_path; fewer on other systems).
const longName = 100

// ListenSocket makes a socket at a path that nothing has, for this user alone, and
// returns what clients call it. The error is a *SocketError.
func ListenSocket(path string) (net.Listener, *url.URL, error) {
	path, err := filepath.Abs(path)
	if err != nil {
		return nil, nil, &SocketError{Err: err}
	}
	l, err := listenHere(path)
	if err != nil {
		return nil, nil, socketError(path, err)
	}
	// Clients take a plus sign for itself, and slashes are easier to read.
	query := strings.NewReplacer("+", "%20", "%2F", "/").Replace(url.QueryEscape(path))
	return l, &url.URL{Scheme: "nbd+unix", Path: "/", RawQuery: "socket=" + query}, nil
}

// socketError finds out why a socket cannot be made. A file that is no socket refuses a
// client as a dead socket does, and is nothing to delete.
func socketError(path string, err error) *SocketError {
	there, gone := os.Lstat(path)
	if gone != nil {
		return &SocketError{Err: err, Long: len(path) > longName}
	}
	if there.Mode().Type() != os.ModeSocket {
		return &SocketError{Err: fmt.Errorf("there is %s at %s", image.Kind(there.Mode()), path)}
	}
	c, dead := net.Dial("unix", path)
	if dead == nil {
		c.Close()
	}
	return &SocketError{Err: err, Dead: errors.Is(dead, syscall.ECONNREFUSED)}
}

// ListenPort listens on a port of the loopback address, 0 for any that is free, and
// returns what clients call it.
func ListenPort(port int) (net.Listener, *url.URL, error) {
	l, err := net.Listen("tcp", fmt.Sprintf("127.0.0.1:%d", port))
	if err != nil {
		return nil, nil, fmt.Errorf("the loopback address cannot be listened on: %w", err)
	}
	return l, &url.URL{Scheme: "nbd", Host: l.Addr().String()}, nil
}

// Options say how a disk is shown.
type Options struct {
	Scratch int64 // bytes that clients may write, which stay in memory; 0: nothing can be written
	Once    bool  // end when the last client has gone
}

// Show serves a disk on a listener until ctx ends, or with Once until nobody is there
// any more, and returns what clients did. The error is that of the listener.
func Show(ctx context.Context, l net.Listener, src image.Source, o Options) (Report, error) {
	ctx, end := context.WithCancel(ctx)
	defer end()
	v := newView(src)
	if o.Scratch > 0 {
		v = newScratchView(newScratch(src, o.Scratch))
	}
	server := &server{View: v}
	if o.Once {
		server.Gone = end
	}
	err := server.Serve(ctx, l)
	return v.Report(), err
}
