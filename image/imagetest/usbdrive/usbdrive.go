// Package usbdrive plays a USB bridge with an old ATA drive behind it, for virtual
// machines: a server of the USB redirection protocol (usbredir, the published
// description of version 0.7), with a mass storage device (USB Mass Storage Class,
// Bulk-Only Transport 1.0) that knows a few SCSI commands and ATA PASS-THROUGH (16).
// The drive hides sectors behind a host protected area. QEMU connects to it with
// -chardev socket,path=... -device usb-redir.
package usbdrive

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"net"
	"strings"
	"sync"
)

// Drive is the drive behind the bridge, and what the bridge makes of it.
type Drive struct {
	Content  []byte // of the sectors that it shows, from the first; the rest is zeros
	Sectors  uint32 // that it shows
	Native   uint32 // with those that it hides
	Claims   uint32 // sectors that the bridge says it has; 0: as many as the drive shows
	Model    string
	Serial   string
	Security uint16 // word 128
	Power    byte   // answer to CHECK POWER MODE
	Dumb     bool   // the bridge passes no ATA commands on
	Fixed    bool   // the bridge answers with sense data of the fixed format

	mu   sync.Mutex
	asks [][]byte // SCSI commands that came
}

// Asked returns the SCSI commands that came, in order.
func (d *Drive) Asked() [][]byte {
	d.mu.Lock()
	defer d.mu.Unlock()
	return append([][]byte(nil), d.asks...)
}

// packet types and capabilities of the protocol (usbredirproto.h).
const (
	typeHello, typeConnect, typeReset, typeInterfaces, typeEndpoints = 0, 1, 3, 4, 5
	typeSetConfig, typeGetConfig, typeConfig                         = 6, 7, 8
	typeSetAlt, typeGetAlt, typeAlt                                  = 9, 10, 11
	typeControl, typeBulk                                            = 100, 101

	capabilities = 1<<1 | 1<<4 | 1<<5 | 1<<6 // device version, packet sizes, 64-bit ids, 32-bit lengths

	statusOK, statusStall = 0, 4
)

const (
	endpointIn, endpointOut = 0x81, 0x02
	packetSize              = 512
)

// Serve answers one connection until it ends.
func (d *Drive) Serve(l net.Listener) error {
	c, err := l.Accept()
	if err != nil {
		return err
	}
	defer c.Close()
	s := &session{d: d, c: c}
	if err := s.run(); !errors.Is(err, io.EOF) && !errors.Is(err, io.ErrUnexpectedEOF) {
		return err
	}
	return nil
}

// session is one connection: what the bridge has to say next.
type session struct {
	d     *Drive
	c     net.Conn
	reply []byte // data that wait to be fetched
	state []byte // the status wrapper that follows them
	sense []byte
}

func (s *session) send(kind uint32, id uint64, body ...[]byte) error {
	n := 0
	for _, b := range body {
		n += len(b)
	}
	head := make([]byte, 16)
	binary.LittleEndian.PutUint32(head, kind)
	binary.LittleEndian.PutUint32(head[4:], uint32(n))
	binary.LittleEndian.PutUint64(head[8:], id)
	if kind == typeHello { // before it is agreed that ids have 64 bits
		head = head[:12]
	}
	for _, b := range body {
		head = append(head, b...)
	}
	_, err := s.c.Write(head)
	return err
}

func (s *session) run() error {
	hello := make([]byte, 68)
	copy(hello, "bootgraft test drive")
	binary.LittleEndian.PutUint32(hello[64:], capabilities)
	if err := s.send(typeHello, 0, hello); err != nil {
		return err
	}
	head := make([]byte, 16)
	if _, err := io.ReadFull(s.c, head[:12]); err != nil {
		return err
	}
	theirs := make([]byte, binary.LittleEndian.Uint32(head[4:])&0xFFFF)
	if _, err := io.ReadFull(s.c, theirs); err != nil {
		return err
	}
	if err := s.plugIn(); err != nil {
		return err
	}
	for {
		if _, err := io.ReadFull(s.c, head); err != nil {
			return err
		}
		n := binary.LittleEndian.Uint32(head[4:])
		if n > 1<<24 {
			return fmt.Errorf("a packet of %d bytes", n)
		}
		body := make([]byte, n)
		if _, err := io.ReadFull(s.c, body); err != nil {
			return err
		}
		if err := s.take(binary.LittleEndian.Uint32(head), binary.LittleEndian.Uint64(head[8:]), body); err != nil {
			return err
		}
	}
}

// plugIn tells of one interface (mass storage, SCSI, bulk only) with two endpoints.
func (s *session) plugIn() error {
	interfaces := make([]byte, 4+4*32)
	interfaces[0] = 1
	interfaces[4+32], interfaces[4+64], interfaces[4+96] = 8, 6, 0x50
	// An endpoint has the place of its number, 16 more if it goes in.
	endpoints := make([]byte, 3*32+2*32)
	for i := range 32 {
		endpoints[i] = 255
	}
	endpoints[0], endpoints[16] = 0, 0
	for _, at := range []int{16 + endpointIn&0xF, endpointOut} {
		endpoints[at] = 2 // bulk
		binary.LittleEndian.PutUint16(endpoints[96+2*at:], packetSize)
	}
	// high speed; ids from the space of prototypes
	device := []byte{2, 0, 0, 0, 0xF0, 0xFF, 0x01, 0x00, 0x00, 0x01}
	return errors.Join(s.send(typeInterfaces, 0, interfaces), s.send(typeEndpoints, 0, endpoints),
		s.send(typeConnect, 0, device))
}

func (s *session) take(kind uint32, id uint64, body []byte) error {
	switch kind {
	case typeReset:
		s.reply, s.state = nil, nil
		return nil
	case typeSetConfig, typeGetConfig:
		return s.send(typeConfig, id, []byte{statusOK, 1})
	case typeSetAlt, typeGetAlt:
		return s.send(typeAlt, id, []byte{statusOK, 0, 0})
	case typeControl:
		return s.control(id, body)
	case typeBulk:
		return s.bulk(id, body)
	}
	return nil // what needs no answer
}

func (s *session) control(id uint64, b []byte) error {
	if len(b) < 10 {
		return fmt.Errorf("a control packet of %d bytes", len(b))
	}
	request, requestType := b[1], b[2]
	value, length := binary.LittleEndian.Uint16(b[4:]), int(binary.LittleEndian.Uint16(b[8:]))
	answer := append([]byte(nil), b[:10]...)
	answer[3] = statusOK
	var data []byte
	switch {
	case requestType == 0x80 && request == 6: // get descriptor
		data = s.descriptor(value)
		if data == nil {
			answer[3] = statusStall
		}
	case requestType == 0xA1 && request == 0xFE: // get max LUN
		data = []byte{0}
	case requestType == 0x21 && request == 0xFF: // reset
		s.reply, s.state = nil, nil
	}
	data = data[:min(len(data), length)]
	binary.LittleEndian.PutUint16(answer[8:], uint16(len(data)))
	return s.send(typeControl, id, answer, data)
}

// descriptor is what a USB device says of itself (USB 2.0, chapter 9).
func (s *session) descriptor(value uint16) []byte {
	text := func(t string) []byte {
		out := []byte{byte(2 + 2*len(t)), 3}
		for _, c := range []byte(t) {
			out = append(out, c, 0)
		}
		return out
	}
	switch value {
	case 0x0100:
		return []byte{18, 1, 0, 2, 0, 0, 0, 64, 0xF0, 0xFF, 0x01, 0x00, 0, 1, 1, 2, 3, 1}
	case 0x0200:
		return []byte{9, 2, 32, 0, 1, 1, 0, 0x80, 50, 9, 4, 0, 0, 2, 8, 6, 0x50, 0,
			7, 5, endpointIn, 2, packetSize & 0xFF, packetSize >> 8, 0,
			7, 5, endpointOut, 2, packetSize & 0xFF, packetSize >> 8, 0}
	case 0x0600: // device qualifier
		return []byte{10, 6, 0, 2, 0, 0, 0, 64, 1, 0}
	case 0x0300:
		return []byte{4, 3, 9, 4}
	case 0x0301:
		return text("EXAMPLE")
	case 0x0302:
		return text("BRIDGE")
	case 0x0303:
		return text("BRIDGE0000042")
	}
	return nil
}

// bulk takes a command, or gives what waits: data, then the status wrapper.
func (s *session) bulk(id uint64, b []byte) error {
	if len(b) < 10 {
		return fmt.Errorf("a bulk packet of %d bytes", len(b))
	}
	head, data := append([]byte(nil), b[:10]...), b[10:]
	head[1] = statusOK
	length := int(binary.LittleEndian.Uint16(head[2:])) | int(binary.LittleEndian.Uint16(head[8:]))<<16
	reply := func(data []byte, n int) error {
		binary.LittleEndian.PutUint16(head[2:], uint16(n))
		binary.LittleEndian.PutUint16(head[8:], uint16(n>>16))
		return s.send(typeBulk, id, head, data)
	}
	if head[0] == endpointOut {
		s.command(data)
		return reply(nil, len(data))
	}
	out := &s.reply
	if len(s.reply) == 0 {
		out = &s.state
	}
	n := min(length, len(*out))
	data = (*out)[:n]
	*out = (*out)[n:]
	return reply(data, n)
}

// command takes a command block wrapper (Bulk-Only Transport, 5.1).
func (s *session) command(b []byte) {
	if len(b) != 31 || string(b[:4]) != "USBC" {
		return // data that are written; this drive takes none
	}
	cdb := append([]byte(nil), b[15:31]...)
	s.d.mu.Lock()
	s.d.asks = append(s.d.asks, cdb)
	s.d.mu.Unlock()
	want := int(binary.LittleEndian.Uint32(b[8:]))
	data, sense := s.d.scsi(cdb, s.sense)
	state := byte(0)
	if s.sense = sense; sense != nil {
		state = 1
	}
	data = data[:min(len(data), want)]
	s.reply = data
	s.state = append([]byte("USBS"), b[4:8]...)
	s.state = binary.LittleEndian.AppendUint32(s.state, uint32(want-len(data)))
	s.state = append(s.state, state)
	if want > len(data) && len(data) == 0 && b[12]&0x80 != 0 {
		// A device that has no data ends the data phase with a stall, or an empty
		// packet; the wrapper's residue says the rest.
		s.reply = nil
	}
}

// sense makes sense data of the fixed format.
func sense(key, asc, ascq byte) []byte {
	b := make([]byte, 18)
	b[0], b[2], b[7], b[12], b[13] = 0x70, key, 10, asc, ascq
	return b
}

// scsi carries a command out (SCSI Primary and Block Commands). last are the sense
// data of the command before.
func (d *Drive) scsi(cdb, last []byte) (data, bad []byte) {
	claims := d.Claims
	if claims == 0 {
		claims = d.Sectors
	}
	switch cdb[0] {
	case 0x00, 0x1B, 0x1E, 0x35: // test unit ready, start stop, prevent removal, synchronize
		return nil, nil
	case 0x03: // request sense
		if last == nil {
			last = sense(0, 0, 0)
		}
		return last, nil
	case 0x12: // inquiry
		if cdb[1]&1 == 1 {
			return nil, sense(5, 0x24, 0)
		}
		b := make([]byte, 36)
		b[2], b[3], b[4] = 5, 2, 31
		copy(b[8:], fmt.Sprintf("%-8s%-16s%-4s", "EXAMPLE", "BRIDGE", "1.00"))
		return b, nil
	case 0x1A: // mode sense (6): nothing but that it is not protected
		return []byte{3, 0, 0, 0}, nil
	case 0x25: // read capacity (10)
		b := binary.BigEndian.AppendUint32(nil, claims-1)
		return binary.BigEndian.AppendUint32(b, 512), nil
	case 0x28: // read (10)
		at, n := binary.BigEndian.Uint32(cdb[2:]), uint32(binary.BigEndian.Uint16(cdb[7:]))
		if uint64(at)+uint64(n) > uint64(d.Sectors) {
			return nil, sense(5, 0x21, 0)
		}
		b := make([]byte, n*512)
		if from := int(at) * 512; from < len(d.Content) {
			copy(b, d.Content[from:])
		}
		return b, nil
	case 0x85:
		if d.Dumb {
			return nil, sense(5, 0x20, 0)
		}
		return d.ata(cdb)
	}
	return nil, sense(5, 0x20, 0)
}

// ata carries a command out that came through the bridge (ACS, ATA/ATAPI-6).
func (d *Drive) ata(cdb []byte) (data, bad []byte) {
	switch cdb[14] {
	case 0xEC:
		return d.identify(), nil
	case 0x27:
		return nil, d.registers(0x40, 0, uint64(d.Native-1))
	case 0xF8:
		return nil, d.registers(0xE0|byte((d.Native-1)>>24), 0, uint64(d.Native-1)&0xFFFFFF)
	case 0xE5:
		return nil, d.registers(0, d.Power, 0)
	}
	return nil, sense(0xB, 0, 0) // the drive does not know it
}

func (d *Drive) registers(device, count byte, lba uint64) []byte {
	if d.Fixed {
		b := sense(1, 0, 0x1D)
		b[3], b[4], b[5], b[6] = 0, 0x50, device, count
		b[9], b[10], b[11] = byte(lba), byte(lba>>8), byte(lba>>16)
		if lba>>24 != 0 {
			b[8] = 0x20
		}
		return b
	}
	b := []byte{0x72, 1, 0, 0x1D, 0, 0, 0, 14, 9, 12, 1, 0, 0, count}
	return append(b, byte(lba>>24), byte(lba), byte(lba>>32), byte(lba>>8), byte(lba>>40), byte(lba>>16), device, 0x50)
}

// identify is the answer to IDENTIFY DEVICE, with its checksum.
func (d *Drive) identify() []byte {
	var w [256]uint16
	put := func(first, words int, text string) {
		text += strings.Repeat(" ", 2*words)
		for i := range words {
			w[first+i] = uint16(text[2*i])<<8 | uint16(text[2*i+1])
		}
	}
	w[0], w[1], w[3], w[6] = 0x0040, uint16(min(d.Sectors/(16*63), 16383)), 16, 63
	put(10, 10, d.Serial)
	put(23, 4, "B1.07")
	put(27, 20, d.Model)
	w[49], w[53], w[80] = 0x0F00, 7, 0x007E
	w[60], w[61] = uint16(d.Sectors), uint16(d.Sectors>>16)
	w[82], w[83], w[84] = 1<<10|1<<1, 1<<14|1<<10, 1<<14
	w[85], w[86], w[87] = 1<<10, 1<<10, 1<<14
	w[100], w[101] = w[60], w[61]
	w[128] = d.Security
	b := make([]byte, 512)
	for i, x := range w {
		binary.LittleEndian.PutUint16(b[2*i:], x)
	}
	b[510] = 0xA5
	var sum byte
	for _, c := range b {
		sum += c
	}
	b[511] = -sum
	return b
}
