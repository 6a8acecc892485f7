package main

import (
	"encoding/json"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image/ata"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest/guest"
	"bootgraft/image/imagetest/need"
	"bootgraft/image/imagetest/usbdrive"
)

// plugIn makes a drive behind a USB bridge, and returns the arguments of QEMU that
// plug it in.
func plugIn(t *testing.T, dir, name string, d *usbdrive.Drive) []string {
	t.Helper()
	path := filepath.Join(dir, name)
	l, err := net.Listen("unix", path)
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan error, 1)
	go func() { done <- d.Serve(l) }()
	t.Cleanup(func() {
		l.Close()
		if err := <-done; err != nil {
			t.Log(err)
		}
	})
	return []string{"-chardev", "socket,id=" + name + ",path=" + path, "-device", "usb-redir,chardev=" + name + ",bus=x.0"}
}

// TestAskRealDrives: a real kernel, with the drivers of disks that people have, passes
// our questions on to a disk on an ATA port and to drives behind USB bridges: one that
// hides an area, one that is locked, and one behind a bridge that passes nothing on.
// hdparm, in the same machine, says the same of the hidden area. Nothing but questions
// and reads comes to any of them.
func TestAskRealDrives(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("skipped: a virtual machine takes a minute")
	}
	kernel := need.Kernel(t)
	dir, err := os.MkdirTemp("", "g") // short: the path of a socket has 108 bytes
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	old, program := filepath.Join(dir, "old.img"), filepath.Join(dir, "bootgraft")
	if err := saveDemoDrive(old); err != nil {
		t.Fatal(err)
	}
	guest.Build(t, program, "bootgraft/cmd/bootgraft")
	drives := map[string]*usbdrive.Drive{
		"hides":  {Sectors: 524_160, Native: 624_960, Model: "EXAMPLE OLD DISK THAT HIDES 40GB", Serial: "EX0000007", Power: 0x80},
		"locked": {Sectors: 300_384, Native: 300_384, Model: "EXAMPLE OLD DISK, LOCKED", Serial: "EX0000008", Power: 0xFF, Security: 7},
		"dumb":   {Sectors: 200_592, Native: 200_592, Model: "NEVER ASKED", Dumb: true},
	}
	m := guest.Machine{
		Kernel: kernel, Disks: 1 + len(drives), Modules: []string{"ata_piix", "sd_mod", "sg", "xhci_pci", "usb_storage"},
		Files: guest.Program(t, "hdparm"),
		Devices: []string{
			"-drive", "file=" + old + ",format=raw,if=none,id=d0,snapshot=on", "-device", "ide-hd,drive=d0,serial=OLDDISK0123456789AB,model=EXAMPLE OLD IDE DISK 20GB",
			"-device", "qemu-xhci,id=x",
		},
	}
	for name, d := range drives {
		m.Devices = append(m.Devices, plugIn(t, dir, name, d)...)
	}
	m.Files["/bin/bootgraft"] = program
	var lines [][]string
	for _, node := range []string{"/dev/sda", "/dev/sdb", "/dev/sdc", "/dev/sdd"} { // which is which the kernel decides
		lines = append(lines, []string{"/bin/bootgraft", "survey", node, "--json"}, []string{"/bin/hdparm", "-N", node})
	}
	results := m.Run(t, lines...)
	seen := map[string]bool{}
	for i := 0; i < len(results); i += 2 {
		r, hdparm := results[i], results[i+1].Output
		var s document.Survey
		if err := json.Unmarshal([]byte(r.Output), &s); err != nil {
			t.Fatalf("%v: %s%s", err, r.Output, r.Errors)
		}
		switch {
		case r.Code == talk.ExitRefused && strings.Contains(r.Output, "EX0000008") && strings.Contains(r.Output, string(disk.DriveLocked)):
			seen["locked"] = true
		case r.Code != talk.ExitDone:
			t.Errorf("%v ended with %d: %s%s", lines[i], r.Code, r.Output, r.Errors)
		case s.Drive == nil:
			t.Errorf("%v: nothing is said of the drive: %s", lines[i], r.Output)
		case s.Identify == nil:
			seen["dumb"] = s.Drive.Why == ata.ErrReader.Error() && s.Source.Sectors == 200_592
		case s.Identify.Serial == "OLDDISK0123456789AB":
			// sysfs cuts the model to 16 letters; the drive says it whole.
			seen["ata"] = s.Drive.Kept && s.Drive.Power == ata.Active && s.Identify.Model == "EXAMPLE OLD IDE DISK 20GB" && s.Drive.Native == 0
		case s.Identify.Serial == "EX0000007":
			seen["hides"] = !s.Drive.Kept && s.Drive.Power == ata.Idle && s.Drive.Native == 624_960 && s.Drive.Hidden == 100_800 &&
				strings.Contains(hdparm, "524160/624960") &&
				slices.ContainsFunc(s.Findings, func(f document.Finding) bool { return f.Code == disk.HiddenArea })
		}
	}
	for _, want := range []string{"ata", "hides", "locked", "dumb"} {
		if !seen[want] {
			t.Errorf("%s: not seen as it is:\n%+v", want, results)
		}
	}
	for name, d := range drives {
		onlyAsked(t, name, d.Asked())
	}
}

// onlyAsked wants nothing to have come to a drive but SCSI commands that ask or read
// (SCSI Primary and Block Commands), and the four questions.
func onlyAsked(t *testing.T, name string, cdbs [][]byte) {
	t.Helper()
	harmless := []byte{0x00, 0x03, 0x12, 0x1A, 0x5A, 0x1E, 0x25, 0x28, 0x35, 0x9E, 0xA0, 0xA3}
	ours := 0
	for _, c := range cdbs {
		switch {
		case c[0] == 0x85 && ata.Allowed([16]byte(c)):
			ours++
		case c[0] == 0x85 || c[0] == 0xA1: // hdparm has its own way to ask the same
			at := map[byte]int{0x85: 14, 0xA1: 9}[c[0]]
			if _, _, ok := ata.Command(c[at]).Request(); !ok {
				t.Errorf("%s: command %02X came to the drive: % X", name, c[at], c)
			}
		case !slices.Contains(harmless, c[0]):
			t.Errorf("%s: % X came to the drive", name, c)
		}
	}
	if ours == 0 {
		t.Errorf("%s: nothing was asked", name)
	}
}
