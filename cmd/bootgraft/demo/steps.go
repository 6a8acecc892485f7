// Package demo runs the whole job on invented drives: it makes their images,
// plays the dying drive with its faults, and lets the program's own commands do
// the rest. It may write in its own folder, and nowhere else; it does no part of
// the job itself, and only the program's start knows it.
package demo

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"strings"

	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image"
	"bootgraft/image/capture"
	"bootgraft/image/disk"
)

// Command runs one command of the program as if it were typed. Drives that are
// played answer to their names in it.
type Command func(ctx context.Context, played map[string]capture.Drive, args []string) error

// Run tells and shows the whole job, and returns what was told. Its files go to
// dir, a folder that is empty.
func Run(ctx context.Context, u *talk.UI, dir string, command Command) (*document.Demo, error) {
	d := &demo{ui: u, ctx: ctx, command: command, dir: dir, told: document.NewDemo(dir)}
	err := d.run()
	return d.told, err
}

// demo is one run of the demonstration. Its steps are the program's own
// commands, run as if they were typed.
type demo struct {
	ui      *talk.UI
	ctx     context.Context
	command Command
	dir     string
	told    *document.Demo
	played  map[string]capture.Drive // by the names that its commands use
}

func (d *demo) path(name string) string { return filepath.Join(d.dir, name) }

func (d *demo) title(text string) {
	d.told.Steps = append(d.told.Steps, document.DemoStep{Title: text, Commands: []document.DemoCommand{}})
	d.ui.Answerf("\n%s\n%s\n", fmt.Sprintf("%d. %s", len(d.told.Steps), text), strings.Repeat("-", 78))
}

func (d *demo) tell(text string) { d.ui.Wrapped("", text) }

// typed runs a command and expects the given exit code.
func (d *demo) typed(want int, args ...string) error {
	d.ui.Answerf("\n$ bootgraft %s\n\n", strings.Join(args, " "))
	err := d.command(d.ctx, d.played, args)
	if got := talk.ExitCode(err); got != want {
		return fmt.Errorf("the demonstration expected exit code %d of this command, and got %d: %w", want, got, errors.Join(err))
	}
	step := &d.told.Steps[len(d.told.Steps)-1]
	step.Commands = append(step.Commands, document.DemoCommand{Typed: args, Exit: want})
	if err != nil && !errors.Is(err, talk.ErrSaid) {
		d.ui.Answerf("%s", indent(err.Error()))
	}
	return nil
}

func indent(s string) string {
	return "  " + strings.ReplaceAll(strings.TrimRight(s, "\n"), "\n", "\n  ") + "\n"
}

func (d *demo) run() error {
	for _, step := range []func() error{d.makeDrive, d.rescue, d.recordings, d.survey, d.larger, d.tooSmall, d.smaller, d.damage, d.siblings, d.fourthSize} {
		if err := step(); err != nil {
			return err
		}
	}
	return d.end()
}

func (d *demo) makeDrive() error {
	d.title("An old drive")
	if err := MakeDrive(d.path("recorder.img")); err != nil {
		return fmt.Errorf("making the invented drive: %w", err)
	}
	d.tell(
		"The field recorder of the Quillhaven Song-Collecting Society (device and society are invented) starts " +
			"from a small hard disk. Its maker put the start-up program into the sectors before the first volume, " +
			"with a check sum and the size of the disk, and the calibration at the very end of the disk.")
	d.tell(fmt.Sprintf(
		"The drive is dying: some sectors cannot be read any more, and its plug is loose. This program plays it, "+
			"under the name %s. What it held when it was well is in %s, to compare and to try things with.",
		plug, d.path("recorder.img")))
	return nil
}

func (d *demo) rescue() error {
	d.title("Reading it once, gently, boot areas first")
	well, err := image.Open(d.path("recorder.img"), sectorSize)
	if err != nil {
		return err
	}
	defer well.Close()
	drive := &dyingDrive{Source: well}
	d.tell("In the middle of the work the drive is gone.")
	d.plugIn(drive)
	command := []string{"capture", plug, d.captured()}
	if err := d.typed(talk.ExitStopped, command...); err != nil {
		return err
	}
	d.ui.Answerf("\n")
	d.tell(
		"It is plugged in again. The same command goes on where it was, after it has made sure that it is the same " +
			"drive. What stays missing is named, sector by sector.")
	d.plugIn(drive)
	return d.typed(talk.ExitIncomplete, command...)
}

func (d *demo) captured() string { return d.path("captured.img") }

func (d *demo) recordings() error {
	d.title("Which recordings are hit?")
	return d.typed(talk.ExitIncomplete, "files", d.captured(), "--brief")
}

func (d *demo) survey() error {
	d.title("Who owns every sector?")
	d.tell("The gap before the first entry and the tail after the last one are what an ordinary file copy loses. The device does not start without them.")
	return d.typed(talk.ExitDone, "survey", d.captured())
}

func (d *demo) larger() error {
	d.title("A larger card")
	d.tell(
		"The plan says where every sector of the card comes from, before there is a card. " +
			"That sectors are missing has to be accepted, by the code that is printed.")
	plan, img := d.path("larger.plan"), d.path("larger-card.img")
	command := []string{"plan", d.captured(), "--size", fmt.Sprintf("%ds", largerCard), "-o", plan}
	if err := d.typed(talk.ExitRefused, command...); err != nil {
		return err
	}
	if err := d.typed(talk.ExitDone, append(command, accepted...)...); err != nil {
		return err
	}
	d.ui.Answerf("\n")
	d.tell("There is no card yet, but the plan and the image together can be read like one. Every recording on it is as whole as it can be:")
	if err := d.typed(talk.ExitIncomplete, "files", "--plan", plan); err != nil {
		return err
	}
	return d.prove([]string{"write", plan, img}, []string{"verify", plan, img})
}

// accepted is what the owner of the invented drive accepts.
var accepted = []string{"--accept", string(disk.MissingInVolume)}

// prove runs commands that must end well, but for what the drive lost.
func (d *demo) prove(commands ...[]string) error {
	for _, args := range commands {
		if err := d.typed(talk.ExitIncomplete, args...); err != nil {
			return err
		}
	}
	return nil
}

func (d *demo) tooSmall() error {
	d.title("A card that is too small")
	d.tell("What does not fit is refused with exact numbers, and nothing is written.")
	line := []string{"plan", d.captured(), "--size", fmt.Sprintf("%ds", tooSmallCard), "-o", d.path("small.plan")}
	return d.typed(talk.ExitRefused, append(line, accepted...)...)
}

func (d *demo) smaller() error {
	d.title("A smaller card that will do")
	d.tell(
		"The volume shrinks in its place: only clusters beyond its new end would have to move, and its tables, " +
			"boot sectors and the partition table follow. The tail moves as one block to the new end.")
	plan, img := d.path("smaller.plan"), d.path("smaller-card.img")
	if err := d.typed(talk.ExitDone, append([]string{"plan", d.captured(), "--size", fmt.Sprintf("%ds", smallerCard), "-o", plan}, accepted...)...); err != nil {
		return err
	}
	return d.prove([]string{"files", "--plan", plan, "--brief"}, []string{"write", plan, img}, []string{"verify", plan, img})
}

func (d *demo) damage() error {
	d.title("A card that lies")
	d.tell("One byte of the smaller card is changed now, as a worn card or a bad reader would. No read fails; verify finds it all the same.")
	img := d.path("smaller-card.img")
	if err := flipByte(img, damagedByte); err != nil {
		return err
	}
	return d.typed(talk.ExitDifferent, "verify", d.path("smaller.plan"), img)
}

func (d *demo) end() error {
	d.title("With a drive of your own")
	d.tell(fmt.Sprintf(
		"Everything is in %s; delete it when you like. Read SAFETY.md first: mains and battery voltages, "+
			"static charge and hot tools can hurt you and the device.",
		d.dir))
	d.ui.Answerf(`
  sudo bootgraft capture /dev/sdX old.img        read the drive, once
  bootgraft survey old.img                       what is on it
  bootgraft plan old.img --size Ns -o card.plan  N = sectors of the card at hand
  bootgraft files --plan card.plan               will every file arrive?
  bootgraft write card.plan card.img             make the card's image
  bootgraft verify card.plan card.img            prove it
`)
	return nil
}
