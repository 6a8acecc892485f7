package nbd

import (
	"fmt"
	"io"
	"net"
)

// call is one request as it came.
type call struct {
	kind   uint16
	cookie uint64 // given back in the answer
	off    int64
	count  int64
	errno  uint32 // why it cannot be done, known before anything is read or written
}

// request answers one request. The error ends the connection.
func (k *client) request() error {
	q, err := k.next()
	if err != nil {
		return err
	}
	switch q.kind {
	case cmdDisconnect:
		return errEnd
	case cmdRead:
		return k.read(q)
	case cmdWrite:
		b := k.buffer(int(q.count))
		if _, err := io.ReadFull(k.in, b); err != nil {
			return err
		}
		if q.errno == 0 {
			q.errno = k.view.write(b, q.off)
		}
	case cmdWriteZeroes:
		if q.errno == 0 {
			q.errno = k.view.zero(q.off, q.count)
		}
	case cmdFlush: // nothing outlives the server, so nothing is to be flushed
		q.errno = 0
	default:
		q.errno = errInvalid
	}
	return k.answer(q, nil)
}

// next reads the head of a request and holds it against the disk.
func (k *client) next() (call, error) {
	var b [28]byte
	if _, err := io.ReadFull(k.in, b[:]); err != nil {
		if err == io.EOF { // between two requests
			err = errEnd
		}
		return call{}, err
	}
	if be.Uint32(b[:]) != magicRequest {
		return call{}, fmt.Errorf("no request, but % x", b[:4])
	}
	off, n := be.Uint64(b[16:]), be.Uint32(b[24:])
	q := call{kind: be.Uint16(b[6:]), cookie: be.Uint64(b[8:])}
	size := uint64(k.view.Size())
	carries := q.kind == cmdRead || q.kind == cmdWrite
	switch {
	case q.kind == cmdWrite && n > mostPayload:
		// So much is not read past for a client that was told the limit.
		return call{}, fmt.Errorf("a write of %d bytes", n)
	case carries && n > mostPayload:
		q.errno = errInvalid
	case off > size || uint64(n) > size-off:
		q.errno = errInvalid
		if q.kind != cmdRead {
			q.errno = errNoSpace
		}
	default:
		q.off = int64(off)
	}
	if q.errno == 0 || q.kind == cmdWrite {
		q.count = int64(n)
	}
	return q, nil
}

// buffer returns n bytes that are used again by the next request.
func (k *client) buffer(n int) []byte {
	if cap(k.buf) < n {
		k.buf = make([]byte, n)
	}
	return k.buf[:n]
}

func (k *client) read(q call) error {
	if q.errno != 0 {
		return k.answer(q, nil)
	}
	b := k.buffer(int(q.count))
	if q.errno = k.view.read(b, q.off); q.errno != 0 {
		b = nil
	}
	return k.answer(q, b)
}

func (k *client) answer(q call, data []byte) error {
	b := be.AppendUint32(make([]byte, 0, 16), magicAnswer)
	b = be.AppendUint32(b, q.errno)
	b = be.AppendUint64(b, q.cookie)
	both := net.Buffers{b, data}
	_, err := both.WriteTo(k.out)
	return err
}
