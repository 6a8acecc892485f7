package ata

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	"bootgraft/image/disk"
)

// descriptor is sense data with an ATA Status Return descriptor, as a QEMU guest was
// seen to get it for a question that went well (72 01 00 1D).
func descriptor(key, err, status, device, count byte, lba uint64) []byte {
	s := make([]byte, 22)
	s[0], s[1], s[3], s[7] = 0x72, key, 0x1D, 14
	copy(s[8:], []byte{9, 12, 0, err, 0, count, byte(lba >> 24), byte(lba), byte(lba >> 32), byte(lba >> 8),
		byte(lba >> 40), byte(lba >> 16), device, status})
	return s
}

// fixed is sense data of the fixed format.
func fixed(key, asc, ascq byte) []byte {
	s := make([]byte, 18)
	s[0], s[2], s[7], s[12], s[13] = 0x70, key, 10, asc, ascq
	return s
}

func TestAnswer(t *testing.T) {
	regs := fixed(1, 0, 0x1D)
	copy(regs[3:], []byte{0, 0x50, 0xE0, 0xFF})
	copy(regs[9:], []byte{0x11, 0x22, 0x33})
	cut := slices.Clone(regs)
	cut[8] = 0xA0
	for name, c := range map[string]struct {
		status byte
		sense  []byte
		want   Registers
		err    error // errAny: some other error
	}{
		"good":                     {0, nil, Registers{}, nil},
		"registers":                {2, descriptor(1, 0, 0x50, 0x40, 0xFF, 0x123456789ABC), Registers{Status: 0x50, Device: 0x40, Count: 0xFF, LBA: 0x123456789ABC}, nil},
		"registers, fixed format":  {2, regs, Registers{Status: 0x50, Device: 0xE0, Count: 0xFF, LBA: 0x332211}, nil},
		"registers that are cut":   {2, cut, Registers{Status: 0x50, Device: 0xE0, Count: 0xFF, LBA: 0x332211, Cut: true}, nil},
		"a reader (70 05 20)":      {2, fixed(5, 0x20, 0), Registers{}, ErrReader},
		"a reader (70 05 24)":      {2, fixed(5, 0x24, 0), Registers{}, ErrReader},
		"a reader (72 05 20)":      {2, []byte{0x72, 5, 0x20, 0, 0, 0, 0, 0}, Registers{}, ErrReader},
		"the drive aborts":         {2, descriptor(0xB, 4, 0x51, 0, 0, 0), Registers{Error: 4, Status: 0x51}, ErrAborted},
		"aborted, registers alone": {2, descriptor(1, 4, 0x51, 0, 0, 0), Registers{Error: 4, Status: 0x51}, ErrAborted},
		"another error":            {2, descriptor(1, 0x40, 0x51, 0, 0, 0), Registers{Error: 0x40, Status: 0x51}, errAny},
		"not ready":                {2, fixed(2, 0x3A, 0), Registers{}, errAny},
		"no sense":                 {2, nil, Registers{}, errAny},
		"busy":                     {8, nil, Registers{}, errAny},
		"recovered, no registers":  {2, fixed(1, 0x17, 0), Registers{}, errAny},
	} {
		got, err := Answer(c.status, c.sense)
		if got != c.want || (err == nil) != (c.err == nil) || c.err != errAny && !errors.Is(err, c.err) {
			t.Errorf("%s: %+v, %v", name, got, err)
		}
	}
}

var errAny = errors.New("some error")

// FuzzAnswer: whatever a reader says, there is an answer.
func FuzzAnswer(f *testing.F) {
	f.Add(byte(2), descriptor(1, 0, 0x50, 0x40, 0xFF, 1<<40))
	f.Add(byte(2), fixed(5, 0x20, 0))
	f.Add(byte(2), []byte{0x72, 1, 0, 0x1D, 0, 0, 0, 14, 9, 12})
	f.Add(byte(2), []byte{0x72, 1, 0, 0x1D, 0, 0, 0, 14, 8, 0xFF, 9, 12})
	f.Fuzz(func(t *testing.T, status byte, sense []byte) {
		if r, _ := Answer(status, sense); r.LBA >= 1<<48 {
			t.Errorf("an address of more than 48 bits: %x", r.LBA)
		}
	})
}

// TestOnlyFourCommands: of all requests that differ from one of the four in one byte,
// none is allowed, and no other command makes one.
func TestOnlyFourCommands(t *testing.T) {
	four := 0
	for c := range 256 {
		cdb, _, ok := Command(c).Request()
		if !ok {
			if Allowed([16]byte{0: 0x85, 14: byte(c)}) {
				t.Errorf("command %02X is allowed", c)
			}
			continue
		}
		four++
		for at := range cdb {
			for v := range 256 {
				mutant := cdb
				mutant[at] = byte(v)
				if Allowed(mutant) != (mutant == cdb) {
					t.Errorf("% X: allowed %t", mutant, Allowed(mutant))
				}
			}
		}
	}
	if four != 4 || Allowed([16]byte{}) {
		t.Errorf("%d commands", four)
	}
}

// played is a drive that answers as it is told.
type played struct {
	words  answer
	native uint64
	power  byte
	fail   map[Command]error
	asked  []Command
}

func (p *played) send(c Command) ([]byte, Registers, error) {
	p.asked = append(p.asked, c)
	if err := p.fail[c]; err != nil {
		return nil, Registers{}, err
	}
	switch c {
	case IdentifyDevice:
		return p.words.bytes(), Registers{}, nil
	case ReadNativeMax:
		return nil, Registers{Status: 0x50, Device: 0xE0 | byte(p.native>>24), LBA: p.native & 0xFFFFFF}, nil
	case ReadNativeMaxExt:
		return nil, Registers{Status: 0x50, LBA: p.native}, nil
	}
	return nil, Registers{Status: 0x50, Count: uint16(p.power)}, nil
}

// small is an invented drive of so many sectors, with 28 or 48 bits.
func small(sectors uint32, bits48, hides bool) answer {
	a, _ := drive(rand.New(rand.NewPCG(7, 7)))
	a[60], a[61], a[83], a[100], a[101], a[102] = uint16(sectors), uint16(sectors>>16), 0x4001, 0, 0, 0
	if bits48 {
		a[83] |= 1 << 10
		a[100], a[101] = a[60], a[61]
	}
	if !hides {
		a[82] &^= 1 << 10
	}
	a[128] = 0
	return a
}

func TestAsk(t *testing.T) {
	other := errors.New("the cable")
	for name, c := range map[string]struct {
		played
		kept   bool
		want   []Command
		native disk.Sector
		why    string
	}{
		"28 bits, hides": {played{words: small(200_000, false, true), native: 0x5012345}, false,
			[]Command{CheckPowerMode, IdentifyDevice, ReadNativeMax}, 0x5012346, ""},
		"48 bits, hides": {played{words: small(200_000, true, true), native: 0x123456789}, false,
			[]Command{CheckPowerMode, IdentifyDevice, ReadNativeMaxExt}, 0x12345678A, ""},
		"hides nothing": {played{words: small(200_000, true, true), native: 199_999}, false,
			[]Command{CheckPowerMode, IdentifyDevice, ReadNativeMaxExt}, 200_000, ""},
		"less than it shows": {played{words: small(200_000, true, true), native: 5}, false,
			[]Command{CheckPowerMode, IdentifyDevice, ReadNativeMaxExt}, 0, ""},
		"cannot hide": {played{words: small(200_000, true, false)}, false, []Command{CheckPowerMode, IdentifyDevice}, 0, ""},
		"kept":        {played{words: small(200_000, true, true), native: 299_999}, true, []Command{CheckPowerMode, ReadNativeMaxExt}, 300_000, ""},
		"a reader":    {played{fail: map[Command]error{CheckPowerMode: ErrReader}}, false, []Command{CheckPowerMode}, 0, ErrReader.Error()},
		"no power mode": {played{words: small(9, false, false), fail: map[Command]error{CheckPowerMode: ErrAborted}}, false,
			[]Command{CheckPowerMode, IdentifyDevice}, 0, ""},
		"the cable": {played{words: small(200_000, true, true), fail: map[Command]error{ReadNativeMaxExt: other}}, false,
			[]Command{CheckPowerMode, IdentifyDevice, ReadNativeMaxExt}, 0, "the cable"},
		"native aborted": {played{words: small(200_000, true, true), fail: map[Command]error{ReadNativeMaxExt: ErrAborted}}, false,
			[]Command{CheckPowerMode, IdentifyDevice, ReadNativeMaxExt}, 0, ""},
	} {
		var kept []byte
		if c.kept {
			kept = c.words.bytes()
		}
		d := Ask(kept, c.send)
		if !slices.Equal(c.asked, c.want) || d.Native != c.native || d.Why != c.why || d.Kept != c.kept {
			t.Errorf("%s: asked %v, %+v", name, c.asked, d)
		}
	}
}

// TestAHiddenAreaIsTold: with its size, and that it is not read.
func TestAHiddenAreaIsTold(t *testing.T) {
	p := played{words: small(200_000, true, true), native: 299_999, power: 0x80}
	d := Ask(nil, p.send)
	if d.Hidden() != 100_000 || d.Power != Idle {
		t.Errorf("%d hidden, %s", d.Hidden(), d.Power)
	}
	f := d.Findings(200_000, 512)
	if len(f) != 1 || f[0].Code != disk.HiddenArea || f[0].Sector != 200_000 {
		t.Errorf("%+v", f)
	}
}

// TestPower: ACS, CHECK POWER MODE, the values of the count register.
func TestPower(t *testing.T) {
	for count, want := range map[uint16]Power{0xFF: Active, 0x80: Idle, 0x83: Idle, 0: Standby, 1: Standby, 0x40: Active, 0x55: ""} {
		if got := power(Registers{Count: count}); got != want {
			t.Errorf("%02X: %q, want %q", count, got, want)
		}
	}
	if s := fmt.Sprint(IdentifyDevice, Command(0xF9)); s != "IDENTIFY DEVICE command F9h" {
		t.Error(s)
	}
}
