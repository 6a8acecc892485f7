package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"

	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout/plan"
	"bootgraft/safety/blockdev"
	"bootgraft/safety/held"
)

// cardLook is what can be said of a card, or of an image file that stands for
// one, without writing.
type cardLook struct {
	path  string
	file  bool           // an image file
	facts blockdev.Facts // of an image file only the sectors
	src   image.Source   // nil if it is in use and cannot be held
	close func() error

	held  *held.Card  // nil if nothing was read
	again disk.Sector // the start is found again so many sectors later
	fault error       // why its content could not be read to the end
}

func (l *cardLook) disk() plan.Disk {
	return plan.Disk{Sectors: l.facts.Sectors, SectorSize: l.facts.SectorSize}
}

// openLook takes hold of a TARGET for looking alone: it is opened for reading.
func openLook(u *talk.UI, ctx context.Context, path string, f *cardCmdFlags) (*cardLook, error) {
	if path == "next" {
		t, err := blockdev.NextReadOnly(ctx, func() { u.Sayf("Put the card in now. Waiting for one new disk; Ctrl-C stops.") })
		if err != nil {
			return nil, lookError(path, err)
		}
		u.Sayf("%s came.", t.Name())
		return lookAtDevice(t, f)
	}
	img, err := image.Open(path, f.sectorSize)
	var kind *image.NotRegularError
	switch {
	case errors.As(err, &kind) && kind.Kind == "a block device":
		t, err := blockdev.OpenReadOnly(path)
		if err != nil {
			return nil, lookError(path, err)
		}
		return lookAtDevice(t, f)
	case err != nil:
		return nil, lookError(path, err)
	}
	if isPlan(img) {
		return nil, errors.Join(talk.Usagef("%s is a plan, and what is wanted here is a card, or an image of one. What it plans: bootgraft files --plan %s", path, words.Shell(path)), img.Close())
	}
	if err := otherThanDrive(path, "a card, or an image of one"); err != nil {
		return nil, errors.Join(err, img.Close())
	}
	l := &cardLook{path: path, file: true, src: img, close: img.Close}
	l.facts.Path, l.facts.Sectors, l.facts.SectorSize = path, image.Sectors(img), f.sectorSize
	if l.facts.Sectors == 0 {
		return nil, errors.Join(talk.Refusef("%s has not even one sector of %d bytes; it cannot stand for a card", path, f.sectorSize), img.Close())
	}
	return l, nil
}

// lookError says that a TARGET cannot be looked at.
func lookError(path string, err error) error {
	var kind *image.NotRegularError
	switch {
	case errors.As(err, &kind):
		return talk.Refusef("%s is %s; a card is a block device (bootgraft card lists them) or an image file", path, kind.Kind)
	case errors.Is(err, blockdev.ErrUnsupported):
		return talk.Coded(talk.ExitRefused, fmt.Errorf("%s is a device: %w", path, errNoDevices))
	}
	return cardError(path, err)
}

func lookAtDevice(t *blockdev.Target, f *cardCmdFlags) (*cardLook, error) {
	l := &cardLook{path: t.Name(), close: t.Close}
	var err error
	if l.facts, err = t.Look(nil); err == nil {
		err = l.checkDevice(f)
	}
	if err != nil {
		return nil, errors.Join(lookError(l.path, err), t.Close())
	}
	if l.facts.Held == nil {
		l.src = t
	}
	return l, nil
}

// checkDevice refuses what there is nothing to say about.
func (l *cardLook) checkDevice(f *cardCmdFlags) error {
	switch {
	case errors.Is(l.facts.Held, os.ErrPermission) && os.Geteuid() > 0:
		return talk.Coded(talk.ExitRefused, permissionError(l.path, os.ErrPermission))
	case l.facts.Sectors == 0:
		return talk.Refusef("%s has no card in it: its size is 0. Put the card in", l.path)
	case f.sizeGiven && f.sectorSize != l.facts.SectorSize:
		return talk.Refusef("%s has sectors of %d bytes, not of %d", l.path, l.facts.SectorSize, f.sectorSize)
	}
	return image.CheckSectorSize(l.facts.SectorSize)
}

// look reads what the card holds. What cannot be read is told with the rest.
func (l *cardLook) look(ctx context.Context) error {
	if l.src == nil {
		return nil
	}
	holds, err := held.Look(ctx, l.src)
	if err == nil {
		l.held = holds
		l.again, err = held.FoundAgain(l.src, holds.Survey.Volumes)
	}
	if ctx.Err() != nil {
		return context.Cause(ctx)
	}
	l.fault = err
	return nil
}

func (l *cardLook) alignment() held.Alignment {
	if l.held == nil {
		return held.AlignmentOf(l.disk(), l.facts.Erase, nil)
	}
	return held.AlignmentOf(l.disk(), l.facts.Erase, l.held.Survey)
}

// inUse says who uses the card.
func (l *cardLook) inUse() []string {
	verbs := map[blockdev.How]string{
		blockdev.Mounted: "mounted on ", blockdev.Swapped: "used for swap, as ", blockdev.Layered: "part of ",
		blockdev.Looped: "used by the loop device ", blockdev.Member: "one of the devices of ", blockdev.WriterOf: "open for writing in ",
	}
	out := []string{}
	if len(l.facts.System) > 0 {
		out = append(out, "SYSTEM: the running system stands on it: "+systemText(l.facts.System))
	}
	for _, use := range l.facts.Uses {
		text := verbs[use.How] + use.What
		if use.Device != "" && use.Device != l.facts.Node {
			text = use.Device + " is " + text
		}
		out = append(out, text)
	}
	return out
}

// maxUses is how many uses are named for a person.
const maxUses = 6

// someUses keeps a list readable.
func someUses(lines []string) []string {
	if len(lines) <= maxUses {
		return lines
	}
	return append(lines[:maxUses:maxUses], fmt.Sprintf("... and %d more; all of them with --json", len(lines)-maxUses))
}

// whyNotRead says why a card that cannot be held is not read, and what to do.
func (l *cardLook) whyNotRead() string {
	if slices.ContainsFunc(l.facts.Uses, func(u blockdev.Use) bool { return u.How == blockdev.Mounted }) {
		return "not read while it is mounted; unmount it to see (umount FOLDER)"
	}
	return "not read while somebody else holds it: " + l.facts.Held.Error()
}

// hints are what the look found that should make a person think.
func (l *cardLook) hints() []string {
	out := []string{}
	if l.again > 0 {
		out = append(out, fmt.Sprintf("the start of the card is found once more %s sectors later (%s). A card that is smaller than it says shows this, and a card that somebody put a copy on. Only --write-test quick tells which it is",
			disk.Grouped(l.again), disk.BytesText(int64(l.again)*int64(l.facts.SectorSize))))
	}
	if id := l.facts.Identity; !l.file && !id.Removable && id.Bus != "usb" && id.Bus != "mmc" && id.Bus != "loop" {
		out = append(out, "it is neither removable nor a memory card: is it the right disk?")
	}
	return out
}

// showLook says it all. A card whose content could not be read ends the
// program with 1, after everything else was said.
func showLook(u *talk.UI, l *cardLook) error {
	if err := u.Object(document.KindCard, l.Object()); err != nil {
		return err
	}
	u.Answerf("%s\n", l.title())
	u.Rows("size", disk.SizeText(l.facts.Sectors, l.facts.SectorSize))
	u.Rows("sold as", plan.NominalOf(l.disk()).Lines()...)
	if !l.file {
		showDevice(u, l)
	}
	u.Rows("in use", someUses(l.inUse())...)
	switch {
	case l.held != nil:
		u.Rows("holds now", l.held.Lines...)
	case l.src == nil:
		u.Rows("holds now", l.whyNotRead())
	}
	u.Rows("alignment", l.alignment().Lines(l.facts.SectorSize)...)
	u.Rows("look out", l.hints()...)
	u.Answerf("\nTo plan for a card of exactly this size:\n\n  %s\n", planLine(l.facts.Sectors, l.facts.SectorSize))
	if l.fault != nil {
		return fmt.Errorf("what %s holds could not be read: %w", l.path, l.fault)
	}
	if !l.file && l.facts.Held == nil {
		u.Answerf("\nIs it as large as it says? Only a test that writes can tell; without the word\nit writes nothing:\n\n  sudo bootgraft card %s --write-test quick --device\n", words.Shell(l.path))
	}
	return nil
}

func (l *cardLook) title() string {
	name := l.path
	if l.facts.Node != "" && l.facts.Node != l.path {
		name += " (" + l.facts.Node + ")"
	}
	if l.file {
		return name + ": an image file"
	}
	if id := l.facts.Identity; id.Model != "" || id.Serial != "" {
		return name + ": " + nameText(id)
	}
	return name + ": it says nothing of itself"
}

// showDevice says what only a device has.
func showDevice(u *talk.UI, l *cardLook) {
	f := l.facts
	how := []string{attachedText(f.Identity.Bus)}
	if f.Speed != "" {
		how = append(how, f.Speed+" Mbit/s")
	}
	if f.Identity.Removable {
		how = append(how, "removable")
	} else {
		how = append(how, "not removable")
	}
	u.Rows("attached", strings.Join(how, ", "))
	if f.Partition {
		u.Rows("part", "a partition of "+f.Whole+"; a card is a whole disk")
	}
	if f.Physical > 0 && f.Physical != f.SectorSize {
		u.Rows("inside", fmt.Sprintf("physical sectors of %d bytes", f.Physical))
	}
	if f.Erase > 0 {
		u.Rows("erases", "in units of "+held.BinaryText(f.Erase))
	}
	if f.CID != "" {
		u.Rows("CID", f.CID)
	}
	if f.ReadOnly {
		u.Rows("writing", "READ-ONLY: the lock of the card, or a card at the end of its life")
	}
}
