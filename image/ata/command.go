package ata

import (
	"errors"
	"fmt"
)

// Command is a command that asks a drive something and changes nothing in it.
type Command byte

// All commands that this program ever sends to a drive (ACS: IDENTIFY DEVICE, CHECK
// POWER MODE; ATA/ATAPI-6, host protected area: READ NATIVE MAX ADDRESS and its form
// for 48 bits).
const (
	IdentifyDevice   Command = 0xEC
	ReadNativeMaxExt Command = 0x27
	ReadNativeMax    Command = 0xF8
	CheckPowerMode   Command = 0xE5
)

func (c Command) String() string {
	names := map[Command]string{
		IdentifyDevice: "IDENTIFY DEVICE", ReadNativeMaxExt: "READ NATIVE MAX ADDRESS EXT",
		ReadNativeMax: "READ NATIVE MAX ADDRESS", CheckPowerMode: "CHECK POWER MODE",
	}
	if n, ok := names[c]; ok {
		return n
	}
	return fmt.Sprintf("command %02Xh", byte(c))
}

// requests are the bytes of ATA PASS-THROUGH (16) that carry a command (SCSI / ATA
// Translation, from memory): byte 1 is the protocol in bits 4 to 1 (3: no data, 4:
// data in by the processor) and 48 bits in bit 0; byte 2 asks for the registers of the
// drive (20h), or says that one block comes in (0Eh); byte 6 counts blocks; byte 13 is
// the device register, 40h for addresses by number; byte 14 is the command.
var requests = map[Command][16]byte{
	IdentifyDevice:   {0: 0x85, 1: 4 << 1, 2: 0x0E, 6: 1, 14: 0xEC},
	ReadNativeMaxExt: {0: 0x85, 1: 3<<1 | 1, 2: 0x20, 13: 0x40, 14: 0x27},
	ReadNativeMax:    {0: 0x85, 1: 3 << 1, 2: 0x20, 13: 0x40, 14: 0xF8},
	CheckPowerMode:   {0: 0x85, 1: 3 << 1, 2: 0x20, 14: 0xE5},
}

// Request returns the bytes that carry the command, and how many bytes the drive
// answers beside its registers. Of any other command it returns false.
func (c Command) Request() (cdb [16]byte, answer int, ok bool) {
	if cdb, ok = requests[c]; c == IdentifyDevice {
		answer = Bytes
	}
	return cdb, answer, ok
}

// Allowed tells whether these bytes carry one of the four commands, exactly as Request
// writes it: one bit elsewhere may make another command, or data that go out.
func Allowed(cdb [16]byte) bool {
	ours, known := requests[Command(cdb[14])]
	return known && ours == cdb
}

// NotAllowedError says that a command was not sent, because it is none of the four.
type NotAllowedError struct{ CDB [16]byte }

func (e *NotAllowedError) Error() string {
	return fmt.Sprintf("the bytes % X are none of the four commands that may be sent to a drive", e.CDB)
}

var (
	// ErrReader says that what stands between here and the drive passes no commands on.
	ErrReader = errors.New("this reader cannot ask the drive: it passes no questions on")
	// ErrAborted says that the drive does not know the command.
	ErrAborted = errors.New("the drive does not know the question")
)

// Registers are what stands in the registers of a drive when a command has ended.
type Registers struct {
	Error, Status, Device byte
	Count                 uint16
	LBA                   uint64
	Cut                   bool // bits of LBA or Count above the lowest 24 or 8 are set, and were not handed on
}

// scsi status bytes (SCSI Architecture Model), and sense keys (SCSI Primary Commands).
const (
	statusGood, statusCheck          = 0x00, 0x02
	keyRecovered, keyIllegal, keyATA = 0x1, 0x5, 0xB
)

// Answer reads how a request ended: the SCSI status, and the sense data that came
// with it. CHECK CONDITION with sense 01/00/1D is success: the registers of the drive
// come in that way (SCSI / ATA Translation, ATA PASS-THROUGH, CK_COND).
func Answer(status byte, sense []byte) (Registers, error) {
	if status == statusGood {
		return Registers{}, nil
	}
	key, asc, ascq, ok := senseKey(sense)
	if status != statusCheck || !ok {
		return Registers{}, fmt.Errorf("the drive, or what reads it, ended the question with status %02X", status)
	}
	r, registers := registersIn(sense)
	failed := registers && r.Status&0x21 != 0 // error, or device fault
	switch {
	case key == keyIllegal && (asc == 0x20 || asc == 0x24): // no such operation; no such field in it
		return r, ErrReader
	case key == keyATA || failed && r.Error&4 != 0:
		return r, ErrAborted
	case failed:
		return r, fmt.Errorf("the drive answered with status %02X, error %02X", r.Status, r.Error)
	case registers && key <= keyRecovered:
		return r, nil
	}
	return r, fmt.Errorf("the drive, or what reads it, answered with sense %X/%02X/%02X", key, asc, ascq)
}

// senseKey reads the head of sense data, in either format (SCSI Primary Commands,
// sense data: response codes 70h to 73h).
func senseKey(s []byte) (key, asc, ascq byte, ok bool) {
	switch {
	case len(s) >= 4 && (s[0]&0x7F == 0x72 || s[0]&0x7F == 0x73):
		return s[1] & 0xF, s[2], s[3], true
	case len(s) >= 14 && (s[0]&0x7F == 0x70 || s[0]&0x7F == 0x71):
		return s[2] & 0xF, s[12], s[13], true
	}
	return 0, 0, 0, false
}

// registersIn reads the registers out of sense data: the ATA Status Return descriptor
// (type 09h), or the fields of the fixed format (SCSI / ATA Translation, from memory),
// which has room for 24 bits of an address.
func registersIn(s []byte) (r Registers, ok bool) {
	if s[0]&0x7F == 0x70 || s[0]&0x7F == 0x71 {
		if s[12] != 0 || s[13] != 0x1D {
			return r, false
		}
		return Registers{
			Error: s[3], Status: s[4], Device: s[5], Count: uint16(s[6]),
			LBA: uint64(s[9]) | uint64(s[10])<<8 | uint64(s[11])<<16, Cut: s[8]&0x60 != 0,
		}, true
	}
	for i := 8; i+2 <= len(s); i += 2 + int(s[i+1]) {
		d := s[i:]
		if d[0] != 9 || d[1] != 12 || len(d) < 14 {
			continue
		}
		low := uint64(d[7]) | uint64(d[9])<<8 | uint64(d[11])<<16
		high := uint64(d[6]) | uint64(d[8])<<8 | uint64(d[10])<<16
		return Registers{
			Error: d[3], Status: d[13], Device: d[12], Count: uint16(d[4])<<8 | uint16(d[5]), LBA: high<<24 | low,
		}, true
	}
	return r, false
}
