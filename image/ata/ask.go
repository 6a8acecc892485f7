package ata

import (
	"errors"

	"bootgraft/image/disk"
)

// Power is what a drive is doing.
type Power string

// What a drive answers to CHECK POWER MODE (ACS, count register).
const (
	Active  Power = "active"
	Idle    Power = "idle"
	Standby Power = "standby" // its motor stands still
)

// Drive is what is known of a drive because it, or the kernel, was asked.
type Drive struct {
	Identify *Identify   // nil if nobody said
	Kept     bool        // Identify is what the kernel kept from when it met the drive
	Native   disk.Sector // all sectors of the drive, with those that it hides; 0 if not known
	Power    Power       // when it was asked; empty if not known
	Why      string      // why the drive was not asked, or not to the end; empty if it was
}

// Sender sends one of the four commands, and returns what came in and the registers.
// The error is ErrReader, ErrAborted, or says what went wrong on the way.
type Sender func(Command) ([]byte, Registers, error)

// Ask asks a drive what it is. What it does is asked first, for that question wakes no
// drive. kept is what the kernel keeps of its IDENTIFY, nil if nothing. After an error
// on the way nothing more is asked.
func Ask(kept []byte, send Sender) Drive {
	var d Drive
	if kept != nil {
		id, err := Parse(kept)
		d.Identify, d.Kept = id, err == nil
	}
	if err := d.ask(send); err != nil {
		d.Why = err.Error()
	}
	return d
}

func (d *Drive) ask(send Sender) error {
	_, r, err := send(CheckPowerMode)
	switch {
	case err == nil:
		d.Power = power(r)
	case !errors.Is(err, ErrAborted):
		return err
	}
	if d.Identify == nil {
		b, _, err := send(IdentifyDevice)
		if err != nil {
			return err
		}
		if d.Identify, err = Parse(b); err != nil {
			return err
		}
	}
	return d.askNative(send)
}

func power(r Registers) Power {
	switch c := byte(r.Count); {
	case c == 0xFF || c == 0x40 || c == 0x41: // 40h, 41h: with a flash part, which is powered or not
		return Active
	case c&0xF8 == 0x80:
		return Idle
	case c == 0 || c == 1:
		return Standby
	}
	return ""
}

// askNative asks for the last sector that there is, where the drive says that it can
// hide some.
func (d *Drive) askNative(send Sender) error {
	if !d.Identify.Protected {
		return nil
	}
	c := ReadNativeMax
	if d.Identify.Sectors48 > 0 {
		c = ReadNativeMaxExt
	}
	_, r, err := send(c)
	if errors.Is(err, ErrAborted) { // locked, or hidden for good until the power goes
		return nil
	}
	if err != nil {
		return err
	}
	last := r.LBA
	if c == ReadNativeMax { // 28 bits: the upper four are in the device register
		last = r.LBA&0xFFFFFF | uint64(r.Device&0xF)<<24
	}
	if n := disk.Sector(last + 1); !r.Cut && last < 1<<48 && n >= d.Identify.Sectors {
		d.Native = n
	}
	return nil
}

// Hidden returns how many sectors the drive hides at its end; 0 if it hides none, or
// if that is not known.
func (d *Drive) Hidden() disk.Sector {
	if d.Identify == nil || d.Native == 0 {
		return 0
	}
	return d.Native - d.Identify.Sectors
}

// Findings says what does not agree with a disk of so many sectors, and what the drive
// keeps from being read.
func (d *Drive) Findings(sectors disk.Sector, sectorSize int) []disk.Finding {
	if d.Identify == nil {
		return nil
	}
	out := d.Identify.Findings(sectors, sectorSize)
	if n := d.Hidden(); n > 0 {
		out = append(out, disk.Warningf(disk.HiddenArea, d.Identify.Sectors,
			"the drive hides its last %s behind a host protected area: it shows %s, and has %s. "+
				"They are not read, and the area is not changed",
			disk.Counted(n, "sector"), disk.Counted(d.Identify.Sectors, "sector"), disk.Counted(d.Native, "sector")))
	}
	return out
}

// Locked tells whether the drive says that it gives none of its sectors.
func (d *Drive) Locked() bool { return d.Identify != nil && d.Identify.Security.Locked }
