//go:build linux

package loaders

import (
	"testing"

	"bootgraft/image/imagetest/machine"
)

// Place is where in the volume the files of a loader lie.
type Place string

// The places of the files of a loader.
const (
	FilesFirst  Place = "files first"
	PayloadLast Place = "payload last"
	AllLast     Place = "all last"
)

// Install is a loader that can be installed on a disk.
type Install struct {
	Name string
	Form
	// Stage puts what the loader consists of into the volume, Payload what it starts,
	// and Finish writes what lies outside of it, which may name places of the two.
	Stage, Payload, Finish func(*disk)
	First                  string // the file that must have the first entry of the root directory
	// Firmware starts it, Second too. Pinned: it counts in Heads and Track, and so must
	// the machine.
	Firmware machine.Firmware
	Second   bool
	Pinned   bool
}

// Firmwares are what it is started with.
func (i Install) Firmwares() []machine.Firmware {
	if i.Second {
		return []machine.Firmware{i.Firmware, machine.Bochs}
	}
	return []machine.Firmware{i.Firmware}
}

// Machine is a machine for it, whose disk has so many sectors.
func (i Install) Machine(firmware machine.Firmware, sectors int64) machine.Machine {
	m := machine.Machine{Firmware: firmware}
	if i.Pinned {
		m.Geometry = &machine.Geometry{C: sectors / Heads / Track, H: Heads, S: Track}
	}
	if firmware == machine.UBoot {
		m.Types = uBootTypes
	}
	return m
}

// Mark is what is said when it has started.
func (i Install) Mark() string {
	if i.Firmware == machine.UBoot {
		return uBootMark
	}
	return started
}

// Places are the places that make a difference to it.
func (i Install) Places() []Place {
	switch {
	case i.FAT == 0: // nobody here makes an ext2 volume smaller
		return []Place{FilesFirst}
	case i.Stage == nil || i.Payload == nil:
		return []Place{FilesFirst, AllLast}
	}
	return []Place{FilesFirst, PayloadLast, AllLast}
}

// Make makes the disk and returns its path.
func (i Install) Make(t testing.TB, where Place, roomy bool) string {
	t.Helper()
	d := newDisk(t, i.Form, roomy)
	if i.First != "" {
		d.put(i.First, nil) // without a cluster
	}
	do := func(f func(*disk)) {
		if f != nil {
			f(d)
		}
	}
	if where != AllLast {
		do(i.Stage)
	}
	if where == FilesFirst {
		do(i.Payload)
	}
	d.songs()
	if where != FilesFirst {
		d.filler()
		if where == AllLast {
			do(i.Stage)
		}
		do(i.Payload)
		d.remove("FILLER")
	}
	do(i.Finish)
	d.run("fallocate", "--dig-holes", d.path) // most of the filler, which nobody needs
	return d.path
}
