package nbd

import (
	"bufio"
	"encoding/binary"
	"fmt"
	"io"
)

// client is one connection.
type client struct {
	view     *view
	in       *bufio.Reader
	out      io.Writer
	noZeroes bool
	buf      []byte // of the largest request so far
}

var be = binary.BigEndian

// handshake negotiates until the client has chosen the export.
func (k *client) handshake() error {
	hello := be.AppendUint64(nil, magicServer)
	hello = be.AppendUint64(hello, magicOption)
	hello = be.AppendUint16(hello, flagFixedNewstyle|flagNoZeroes)
	if _, err := k.out.Write(hello); err != nil {
		return err
	}
	var flags [4]byte
	if _, err := io.ReadFull(k.in, flags[:]); err != nil {
		return err
	}
	f := be.Uint32(flags[:])
	if f&^(flagFixedNewstyle|flagNoZeroes) != 0 || f&flagFixedNewstyle == 0 {
		return fmt.Errorf("client flags %#x", f)
	}
	k.noZeroes = f&flagNoZeroes != 0
	for range mostOptions {
		chosen, err := k.option()
		if err != nil || chosen {
			return err
		}
	}
	return fmt.Errorf("more than %d options", mostOptions)
}

// option answers one option, and tells whether transmission begins.
func (k *client) option() (chosen bool, err error) {
	var head [16]byte
	if _, err := io.ReadFull(k.in, head[:]); err != nil {
		return false, err
	}
	opt, n := be.Uint32(head[8:]), be.Uint32(head[12:])
	if be.Uint64(head[:]) != magicOption {
		return false, fmt.Errorf("no option, but % x", head[:8])
	}
	if n > mostOptionData {
		// It is read past in pieces: the connection may go on, as the protocol asks for.
		if _, err := io.CopyN(io.Discard, k.in, int64(n)); err != nil {
			return false, err
		}
		if opt == optExportName { // has no way to be refused
			return false, fmt.Errorf("an export name of %d bytes", n)
		}
		return false, k.reply(opt, repErrTooBig, nil)
	}
	data := make([]byte, n)
	if _, err := io.ReadFull(k.in, data); err != nil {
		return false, err
	}
	switch opt {
	case optExportName:
		return true, k.export()
	case optAbort:
		_ = k.reply(opt, repAck, nil) // the client need not wait for it
		return false, errEnd
	case optList:
		return false, k.list(data)
	case optInfo, optGo:
		ok, err := k.info(opt, data)
		return ok && opt == optGo, err
	}
	return false, k.reply(opt, repErrUnsup, nil)
}

func (k *client) reply(opt, kind uint32, data []byte) error {
	b := be.AppendUint64(nil, magicReply)
	b = be.AppendUint32(b, opt)
	b = be.AppendUint32(b, kind)
	b = be.AppendUint32(b, uint32(len(data)))
	_, err := k.out.Write(append(b, data...))
	return err
}

// export is the answer to the oldest way of choosing, which has no reply of its own.
func (k *client) export() error {
	b := be.AppendUint64(nil, uint64(k.view.Size()))
	b = be.AppendUint16(b, k.view.flags())
	if !k.noZeroes {
		b = append(b, make([]byte, 124)...)
	}
	_, err := k.out.Write(b)
	return err
}

// list names the one export, whose name is empty: every name is taken for it.
func (k *client) list(data []byte) error {
	if len(data) > 0 {
		return k.reply(optList, repErrInvalid, nil)
	}
	if err := k.reply(optList, repServer, make([]byte, 4)); err != nil {
		return err
	}
	return k.reply(optList, repAck, nil)
}

// info tells size, abilities and block sizes. ok is false if the client asked
// wrongly.
func (k *client) info(opt uint32, data []byte) (ok bool, err error) {
	// name length, name, number of requests, requests of two bytes each
	if len(data) < 6 {
		return false, k.reply(opt, repErrInvalid, nil)
	}
	rest := data[4:]
	if name := be.Uint32(data); uint64(name)+2 > uint64(len(rest)) {
		return false, k.reply(opt, repErrInvalid, nil)
	} else if rest = rest[name:]; len(rest) != 2+2*int(be.Uint16(rest)) {
		return false, k.reply(opt, repErrInvalid, nil)
	}
	b := be.AppendUint16(nil, infoExport)
	b = be.AppendUint64(b, uint64(k.view.Size()))
	b = be.AppendUint16(b, k.view.flags())
	if err := k.reply(opt, repInfo, b); err != nil {
		return false, err
	}
	b = be.AppendUint16(nil, infoBlockSize)
	b = be.AppendUint32(b, 1) // any byte can be asked for
	b = be.AppendUint32(b, goodBlock)
	b = be.AppendUint32(b, mostPayload)
	if err := k.reply(opt, repInfo, b); err != nil {
		return false, err
	}
	return true, k.reply(opt, repAck, nil)
}
