// Package demo runs the whole job on invented drives: it makes their images,
// plays the dying drive with its faults, and lets the program's own commands do
// the rest. It may write in its own folder, and nowhere else; it does no part of
// the job itself, and only the program's start knows it.
package demo

import (
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"regexp"
	"strings"

	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image"
	"bootgraft/image/capture"
	"bootgraft/image/disk"
)

// Command runs one command of the program as if it were typed. Drives that are
// played answer to their names in it.
type Command func(ctx context.Context, u *talk.UI, played map[string]capture.Drive, args []string) error

// Run tells and shows the whole job, and returns what was told. Its files go to
// dir, a folder that is empty. Of what the commands say it shows the lines that
// matter, and with all every one.
func Run(ctx context.Context, u *talk.UI, dir string, all bool, command Command) (*document.Demo, error) {
	d := &demo{ui: u, ctx: ctx, command: command, dir: dir, all: all, told: document.NewDemo(dir)}
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
	all     bool // whole pages are shown
	told    *document.Demo
	played  map[string]capture.Drive // by the names that its commands use
}

// path is a file of the demonstration, as it is typed: no name of a folder makes it a flag.
func (d *demo) path(name string) string {
	path := filepath.Join(d.dir, name)
	if strings.HasPrefix(path, "-") {
		path = "." + string(filepath.Separator) + path
	}
	return path
}

func (d *demo) title(text string) {
	d.told.Steps = append(d.told.Steps, document.DemoStep{Title: text, Commands: []document.DemoCommand{}})
	d.ui.Answerf("\n-- %d. %s --\n", len(d.told.Steps), text)
}

func (d *demo) tell(text string) { d.ui.Wrapped("", text) }

// typed runs a command and expects the given exit code. matter finds the lines of its
// answer that are shown.
func (d *demo) typed(want int, matter string, args ...string) error {
	gap := ""
	if d.all {
		gap = "\n"
	}
	d.ui.Answerf("%s$ bootgraft %s\n%s", gap, strings.Join(words.Typed(args), " "), gap)
	u, said := *d.ui, &strings.Builder{}
	if !d.all {
		u.Out, u.Err, u.Screen, u.Bars = said, io.Discard, io.Discard, false
	}
	err := d.command(d.ctx, &u, d.played, args)
	if got := talk.ExitCode(err); got != want {
		return fmt.Errorf("the demonstration expected exit code %d of this command, and got %d: %w", want, got,
			errors.Join(err))
	}
	step := &d.told.Steps[len(d.told.Steps)-1]
	step.Commands = append(step.Commands, document.DemoCommand{Typed: args, Exit: want})
	if err != nil && !errors.Is(err, talk.ErrSaid) {
		if d.all {
			d.ui.Answerf("%s", indent(err.Error()))
		}
		said.WriteString(indent(err.Error()))
	}
	if !d.all {
		d.ui.Answerf("%s", mattering(said.String(), matter))
	}
	return nil
}

// mattering returns the lines of an answer that matter.
func mattering(said, matter string) string {
	is := regexp.MustCompile(matter)
	var out strings.Builder
	for line := range strings.Lines(said) {
		if line = strings.TrimRight(line, "\n"); is.MatchString(line) {
			out.WriteString(line + "\n")
		}
	}
	return out.String()
}

// What matters of the answers of each verb.
const (
	ofCapture = `sectors of .* read|missing: tried|is gone|not every sector`
	ofFiles   = `not whole|wav$|sound from`
	ofSurvey  = `[0-9]  (table|gap|volume|tail)  `
	ofRefusal = `To go on all the same|does-not-fit:|would do has`
	ofPlan    = `^Sectors: |tail-moved$|made new .*(table|rule)$|^ +warning +link-broken`
	ofWrite   = `is written`
	ofVerify  = `as planned|differs from its plan|^ +[0-9,]+ +[0-9]+  copied`
	ofSound   = `of sound|^ +[0-9]+ +[0-9,]+ +[0-9,]+ +[0-9]+:`
	ofCompare = `would hold|repeated in|proved, 0`
)

func indent(s string) string {
	return "  " + strings.ReplaceAll(strings.TrimRight(s, "\n"), "\n", "\n  ") + "\n"
}

func (d *demo) run() error {
	for _, step := range []func() error{d.makeDrive, d.rescue, d.recordings, d.survey, d.larger, d.tooSmall, d.smaller,
		d.damage, d.siblings, d.fourthSize} {
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
			"from a small hard disk. Its start-up program lies before the first volume, with a check sum and the size of " +
			"the disk, and its calibration at the very end. Of what the commands say you see the lines that matter.")
	d.tell(fmt.Sprintf(
		"The drive is dying: some sectors cannot be read any more, and its plug is loose. This program plays it, "+
			"under the name %s; what it held when it was well is in %s.",
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
	if err := d.typed(talk.ExitStopped, ofCapture, command...); err != nil {
		return err
	}
	d.ui.Answerf("\n")
	d.tell(
		"It is plugged in again. The same command goes on where it was, after it has made sure that it is the same " +
			"drive. What stays missing is named, sector by sector.")
	d.plugIn(drive)
	return d.typed(talk.ExitIncomplete, ofCapture, command...)
}

func (d *demo) captured() string { return d.path("captured.img") }

func (d *demo) recordings() error {
	d.title("Which recordings are hit?")
	return d.typed(talk.ExitIncomplete, ofFiles, "files", d.captured(), "--brief")
}

func (d *demo) survey() error {
	d.title("Who owns every sector?")
	d.tell("The gap before the first entry and the tail after the last one are what an ordinary file copy loses. The " +
		"device does not start without them.")
	return d.typed(talk.ExitDone, ofSurvey, "survey", d.captured())
}

func (d *demo) larger() error {
	d.title("A larger card")
	d.tell(
		"The plan says where every sector of the card comes from, before there is a card. " +
			"That sectors are missing has to be accepted, by the code that is printed.")
	plan, img := d.path("larger.plan"), d.path("larger-card.img")
	command := []string{"plan", d.captured(), "--size", fmt.Sprintf("%ds", largerCard), "-o", plan}
	if err := d.typed(talk.ExitRefused, ofRefusal, command...); err != nil {
		return err
	}
	if err := d.typed(talk.ExitDone, ofPlan, append(command, accepted...)...); err != nil {
		return err
	}
	d.ui.Answerf("\n")
	d.tell("There is no card yet, but the plan and the image together can be read like one. Every recording on it is as " +
		"whole as it can be:")
	if err := d.typed(talk.ExitIncomplete, `not whole\.|Second reader`, "files", "--plan", plan); err != nil {
		return err
	}
	return d.prove([]string{"write", plan, img}, []string{"verify", plan, img})
}

// ofVerb is what matters of a command that proves something.
var ofVerb = map[string]string{"files": `not whole\.`, "write": ofWrite, "verify": ofVerify,
	"plan": ofPlan}

// accepted is what the owner of the invented drive accepts.
var accepted = []string{"--accept", string(disk.MissingInVolume)}

// prove runs commands that must end well, but for what the drive lost.
func (d *demo) prove(commands ...[]string) error {
	for _, args := range commands {
		if err := d.typed(talk.ExitIncomplete, ofVerb[args[0]], args...); err != nil {
			return err
		}
	}
	return nil
}

func (d *demo) tooSmall() error {
	d.title("A card that is too small")
	d.tell("What does not fit is refused with exact numbers, and nothing is written.")
	line := []string{"plan", d.captured(), "--size", fmt.Sprintf("%ds", tooSmallCard), "-o", d.path("small.plan")}
	return d.typed(talk.ExitRefused, ofRefusal, append(line, accepted...)...)
}

func (d *demo) smaller() error {
	d.title("A smaller card that holds everything")
	d.tell(
		"The volume shrinks in its place, its tables and the partition table follow, and the tail moves as one " +
			"block to the new " +
			"end. This recorder's start-up program names it by its old place, and that is told: whether such a card " +
			"starts only " +
			"the device can say. Step 9 shows how such a number is made to follow.")
	plan, img := d.path("smaller.plan"), d.path("smaller-card.img")
	if err := d.typed(talk.ExitDone, ofPlan, append([]string{"plan", d.captured(), "--size",
		fmt.Sprintf("%ds", smallerCard), "-o", plan}, accepted...)...); err != nil {
		return err
	}
	return d.prove([]string{"files", "--plan", plan, "--brief"}, []string{"write", plan, img},
		[]string{"verify", plan, img})
}

func (d *demo) damage() error {
	d.title("A card that lies")
	d.tell("One byte of the smaller card is changed now, as a worn card or a bad reader would. No read fails; verify " +
		"finds it all the same.")
	img := d.path("smaller-card.img")
	if err := flipByte(img, damagedByte); err != nil {
		return err
	}
	return d.typed(talk.ExitDifferent, ofVerify, "verify", d.path("smaller.plan"), img)
}

func (d *demo) end() error {
	d.title("With a drive of your own")
	d.tell(fmt.Sprintf(
		"Everything is in %s; in full: demo --all. Read SAFETY.md first: mains and battery voltages, "+
			"static charge and hot tools can hurt you and the device.",
		d.dir))
	d.ui.Answerf("\n  %-46s read the drive, once\n", words.AsRoot("bootgraft capture next old.img"))
	d.ui.Answerf(`  bootgraft survey old.img                       what is on it
  bootgraft plan old.img --size Ns -o card.plan  N = sectors of the card at hand
  bootgraft files --plan card.plan               will every file arrive?
  bootgraft write card.plan card.img             make the card's image
  bootgraft verify card.plan card.img            prove it
  bootgraft help before, help no-start           two pages for the bench
`)
	return nil
}
