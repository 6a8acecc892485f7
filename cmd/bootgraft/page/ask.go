package page

import (
	"fmt"
	"strings"

	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image/disk"
)

// Question is what somebody whose unit works is asked for.
type Question struct {
	SectorSize int
	Pieces     []AskedPiece
	First      bool        // the first sector alone: what it names is asked for when it has come
	Sectors    disk.Sector // of the drive; 0: they are asked for too
	PassOn     PassOn
	For        System // they have this program; nothing else of the above is asked then
	Flags      string // of kit make, how much of both ends is wanted
}

// System is one on which this program reads a drive.
type System string

// The systems.
const (
	Windows System = "windows"
	MacOS   System = "macos"
	Linux   System = "linux"
)

// AskedPiece is a run of sectors that goes into a file of its own.
type AskedPiece struct {
	File    string
	Span    disk.Span
	FromEnd bool // Span.Start is so many sectors before the end
	What    string
}

// PassOn is what the asker promises about what is sent.
type PassOn string

// The promises.
const (
	PassOnNever PassOn = "never"
	PassOnAsk   PassOn = "ask"
	PassOnKit   PassOn = "kit"
)

// passOnTexts are the promises as they are sent.
var passOnTexts = map[PassOn]string{
	PassOnNever: "I shall not pass them on.",
	PassOnAsk:   "I shall not pass them on without asking you first.",
	PassOnKit: "I should like to pass on the small file that is made of them (it holds no music and no names " +
		"of volumes) " +
		"to others who have the same device. If you do not want that, write so, and I shall not.",
}

// Ask is a page to send to somebody whose unit works: what is wanted, in sectors
// and in bytes, how to read it, and what to mind.
func Ask(q *Question) string {
	if q.For != "" {
		return askWithProgram(q)
	}
	var linux, macos, wanted, check strings.Builder
	n := 1
	if q.Sectors == 0 {
		wanted.WriteString(words.Fold("  1. ", "The number of sectors of your drive, exactly, and its number of bytes. Call "+
			"the number of sectors N below."))
		n++
	}
	for i := range q.Pieces {
		p := &q.Pieces[i]
		wanted.WriteString(words.Fold(fmt.Sprintf("  %d. ", n), fmt.Sprintf("%s: %s.", p.File, p.text(q.SectorSize))))
		n++
		linux.WriteString(p.command("/dev/sdX", q.SectorSize))
		macos.WriteString(p.command("/dev/rdisk9", q.SectorSize))
		check.WriteString(words.Fold("  ", fmt.Sprintf("%s must have %s bytes.", p.File,
			disk.Grouped(int64(p.Span.Count)*int64(q.SectorSize)))))
	}
	wanted.WriteString(words.Fold(fmt.Sprintf("  %d. ", n),
		"The name of the device, its version if it shows one, and what is printed on the drive."))
	size, count := fmt.Sprint(q.SectorSize), "39070080"
	if q.Sectors > 0 {
		count = fmt.Sprint(q.Sectors)
	}
	return strings.NewReplacer(
		"{WANTED}", wanted.String(), "{LINUX}", linux.String(), "{MACOS}", macos.String(), "{CHECK}", check.String(),
		"{SIZE}", size,
		"{N}", count, "{ALSO}", q.alsoText(), "{HOLDS}", q.holdsText(), "{FILES}", q.files(), "{PASSON}", words.Fold("  ",
			passOnTexts[q.PassOn]),
		"{END}", q.endText(),
	).Replace(askPage)
}

// text says which sectors a piece is.
func (p *AskedPiece) text(sectorSize int) string {
	bytes := fmt.Sprintf("%s sectors (%s bytes)", disk.Grouped(p.Span.Count),
		disk.Grouped(int64(p.Span.Count)*int64(sectorSize)))
	switch {
	case p.FromEnd:
		return "the last " + bytes
	case p.Span.Start == 0 && p.Span.Count == 1:
		return fmt.Sprintf("the first sector (%s bytes)", disk.Grouped(int64(sectorSize)))
	case p.Span.Start == 0:
		return "the first " + bytes
	}
	return fmt.Sprintf("%s from sector %s on (%s)", bytes, disk.Grouped(p.Span.Start), p.What)
}

// command reads a piece.
func (p *AskedPiece) command(from string, sectorSize int) string {
	skip := ""
	switch {
	case p.FromEnd:
		skip = fmt.Sprintf(" skip=$((N - %d))", p.Span.Start)
	case p.Span.Start > 0:
		skip = fmt.Sprintf(" skip=%d", p.Span.Start)
	}
	return fmt.Sprintf("    sudo dd if=%s of=%s bs=%d%s count=%d\n", from, p.File, sectorSize, skip, p.Span.Count)
}

// part is a piece as kit make takes it.
func (p *AskedPiece) part() string {
	if p.FromEnd {
		return fmt.Sprintf("--part end-%ds=%s", p.Span.Start, p.File)
	}
	return fmt.Sprintf("--part %ds=%s", p.Span.Start, p.File)
}

func (q *Question) files() string {
	var out []string
	for _, p := range q.Pieces {
		out = append(out, p.File)
	}
	return strings.Join(out, " ")
}

// alsoText says how much is asked for, and why.
func (q *Question) alsoText() string {
	if q.First {
		return "\n" + words.Fold("", "This first question is small on purpose: the first sector names what else there is. "+
			"When I have it I shall ask you "+
			"once more, for those few places alone.")
	}
	return ""
}

// holdsText says plainly what is in what is asked for.
func (q *Question) holdsText() string {
	if q.First {
		return words.Fold("  ", "The first sector holds a table of numbers, a small start-up program, and often a number "+
			"that tells your drive from every other.")
	}
	var sum int64
	for _, p := range q.Pieces {
		sum += int64(p.Span.Count) * int64(q.SectorSize)
	}
	text := "Some devices keep names, texts, serial numbers or the beginning of recordings in these sectors. " +
		"A partition " +
		"table and a start-up program " +
		"are in them too, and often a number that tells your drive from every other."
	if q.Sectors == 0 && sum >= 8<<20 { // by hand, no source: more than boot areas take on devices that are known here
		text = "So many sectors hold more than a start-up program: on a player the first 64 MiB hold the list of the names " +
			"of your files and the first of your " +
			"songs; on a recorder, the beginning of recordings. " + text
	}
	return words.Fold("  ", text+" Look through the files if that matters to you, and send them only to "+
		"somebody you trust.")
}

// endText is for the asker: what comes of the answer.
func (q *Question) endText() string {
	if q.First {
		return "(What comes next, when first.bin is here:\n\n  bootgraft kit ask --sectors N --first first.bin )\n"
	}
	var b strings.Builder
	b.WriteString("(What the files are for: they become one small file, a kit, with\n\n  bootgraft kit make --sectors ")
	if q.Sectors > 0 {
		fmt.Fprint(&b, q.Sectors)
	} else {
		b.WriteString("N")
	}
	for _, p := range q.Pieces {
		b.WriteString(" \\\n      " + p.part())
	}
	b.WriteString(" \\\n      -o device.kit )\n")
	return b.String()
}

// askIntro, askDrive and askLast are on every page of the kind.
const (
	askIntro = `PLEASE: THE BOOT AREAS OF A DRIVE THAT WORKS

My device does not start any more, because its drive has died. You have the same
device, and yours works. What I need is not your music and not your files, but
the few sectors that make the device start.
`
	askDrive = `It takes some minutes. Take the drive out of the device, with the power off, and
connect it to a computer by an adapter. A drive of 1.8 inches has a plug of its
own (a flat film, a small connector of 40 contacts, or one of 50): it needs an
adapter for that very plug. Never force one in; photograph how it sat before you
take it off.

BEFORE YOU BEGIN

  - Everything below only reads. Nothing is written to your drive.
  - The computer may say that the drive is not readable and offer to initialise,
    format or repair it. CANCEL. Saying yes would destroy what is on it.
  - Never write to your drive, not even to try something out. If it has a switch
    or jumper that protects it from writing, use it.
  - If the drive makes strange noises or is very slow, stop. It may be dying,
    too.
`
	askLast = `WHAT IT MAY REVEAL

{HOLDS}
{PASSON}
  The start-up program may be somebody's work. If you are not sure that you may
  pass it on where you live, ask, or do not send it.

Thank you.

`
)

// askPage is the page for somebody who has no program of ours. It names nothing but general-purpose tools.
const askPage = askIntro + `{ALSO}
WHAT IS WANTED

{WANTED}
` + askDrive + `  - In each command "of=" names the file that is made. It must be a name such as
    those below, in a folder of your computer, and never begin with /dev.

WITH LINUX

  Find the drive by its size (here it is sdX; put the right letter for X):

    lsblk -d -o NAME,SIZE,MODEL

  The sector size, which must be {SIZE}, and the number of bytes; N is the number
  of bytes divided by {SIZE}:

    sudo blockdev --getss --getsize64 /dev/sdX

  The files:

    N=$(( $(sudo blockdev --getsize64 /dev/sdX) / {SIZE} ))
{LINUX}    echo $N
    sha256sum {FILES}
    gzip {FILES}

WITH MACOS

  If it offers to initialise the drive, choose "Ignore" or "Eject", never
  "Initialise". Find the drive by its size (here it is disk9):

    diskutil list

  "Disk Size" tells the exact number of bytes; "Device Block Size" must be {SIZE}.
  N is the number of bytes divided by {SIZE}:

    diskutil info disk9

  The files, with your number instead of {N}:

    N={N}
    diskutil unmountDisk disk9
{MACOS}    shasum -a 256 {FILES}
    gzip {FILES}

WITH WINDOWS

  Windows has no command of its own that reads the sectors of a drive. Write to
  me, and I shall send you a small program that does: then it is three lines. Do
  not let Windows initialise the drive.

CHECK

{CHECK}
  That is before gzip, which makes small files of them: those are to be sent.
  Send the two columns that the checksum command prints, too: with them I can
  tell that nothing was changed on the way. If the drive has fewer sectors than
  all of that together, send one file of all of it.

` + askLast + `{END}`

// askWithProgram is a page for somebody who gets this program: it finds the places that
// the page without it asks for.
func askWithProgram(q *Question) string {
	how := map[System]string{Windows: askWindows, MacOS: askMacOS, Linux: askLinux}[q.For]
	return strings.NewReplacer("{HOW}", strings.ReplaceAll(how, "{FLAGS}", q.Flags), "{HOLDS}", q.holdsText(), "{PASSON}",
		words.Fold("  ", passOnTexts[q.PassOn])).Replace(askProgramPage)
}

// The program lies in a folder that no search path names, where Windows alone looks.
const (
	askWindows = `WITH WINDOWS

  Put bootgraft.exe, which I send along, into a folder of its own. Open a command
  prompt as administrator (Start, type cmd, then "Run as administrator"), go into
  the folder with cd, and type three lines, with the number of your drive for N:

    bootgraft survey
    bootgraft kit make \\.\PhysicalDriveN -o device.kit{FLAGS}
    bootgraft kit show device.kit

  The first lists the disks: yours is known by its size, and by what it calls
  itself. The second reads it. The third shows what is in device.kit, to the last
  readable text. If Windows asks whether to format a disk: cancel.
`
	askMacOS = `WITH MACOS

  Put bootgraft, which I send along, into a folder of its own, open a terminal
  there (chmod +x bootgraft, if it may not run), and type three lines, with the
  number of your drive for N:

    ./bootgraft survey
    sudo ./bootgraft kit make /dev/rdiskN -o device.kit{FLAGS}
    ./bootgraft kit show device.kit

  The first lists the disks: yours is known by its size, and by what it calls
  itself. The second reads it; if it says that something is mounted, type what it
  says (diskutil unmountDisk diskN) and the line again. The third shows what is in
  device.kit, to the last readable text. If macOS calls the disk unreadable,
  choose "Ignore" or "Eject", never "Initialise".
`
	askLinux = `WITH LINUX

  Put bootgraft, which I send along, into a folder of its own, open a terminal
  there (chmod +x bootgraft, if it may not run), and type three lines, with the
  letter of your drive for X:

    ./bootgraft survey
    sudo ./bootgraft kit make /dev/sdX -o device.kit{FLAGS}
    ./bootgraft kit show device.kit

  The first lists the disks: yours is known by its size, and by what it calls
  itself. The second reads it; if it says that something is mounted, type what it
  says and the line again. The third shows what is in device.kit, to the last
  readable text.
`
)

// askProgramPage is the page for somebody who gets this program.
const askProgramPage = askIntro + `
WHAT IS WANTED

  1. device.kit: one small file, which the program below makes. It takes the
     table, the start-up program and what lies outside the volumes; no file.
  2. The name of the device, its version if it shows one, and what is printed on
     the drive.

` + askDrive + `
{HOW}
  device.kit is what I ask for. What lies beside it (device.kit.capture and so on)
  is what was read; it stays with you, and can be deleted.

` + askLast
