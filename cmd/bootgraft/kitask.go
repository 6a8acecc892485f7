package main

import (
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/input"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image"
	"bootgraft/image/disk"
)

type kitAskFlags struct {
	head, tail string
	sectorSize int
}

func kitAskCommand(u *talk.UI) *cobra.Command {
	var f kitAskFlags
	c := &cobra.Command{
		Use:   "ask",
		Short: "a page for somebody whose unit works",
		Long: `Prints a page to send to somebody who has the same device and whose unit works:
what is wanted, how to read it, and what to mind. It needs no program of ours.

  bootgraft kit ask > please.txt
  bootgraft kit ask --head 16MiB --tail 16MiB > please.txt`,
		Args: cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error { return f.run(u) },
	}
	fl := c.Flags()
	fl.StringVar(&f.head, "head", "64MiB", "how much of the head is wanted")
	fl.StringVar(&f.tail, "tail", "64MiB", "how much of the tail is wanted")
	fl.IntVar(&f.sectorSize, "sector-size", 512, "logical sector size of the drive in bytes")
	return c
}

type kitAskJSON struct {
	Schema     int         `json:"schema"`
	Head       disk.Sector `json:"head_sectors"`
	Tail       disk.Sector `json:"tail_sectors"`
	SectorSize int         `json:"sector_size"`
	Page       string      `json:"page"`
}

func (f *kitAskFlags) run(u *talk.UI) error {
	if err := image.CheckSectorSize(f.sectorSize); err != nil {
		return talk.Usagef("%v", err)
	}
	head, err := input.ParseSize(f.head, f.sectorSize)
	if err != nil {
		return err
	}
	tail, err := input.ParseSize(f.tail, f.sectorSize)
	if err != nil {
		return err
	}
	page := strings.NewReplacer(
		"{HEAD}", fmt.Sprint(head.Sectors), "{TAIL}", fmt.Sprint(tail.Sectors), "{SIZE}", fmt.Sprint(f.sectorSize),
		"{HEADBYTES}", disk.Grouped(int64(head.Sectors)*int64(f.sectorSize)), "{TAILBYTES}", disk.Grouped(int64(tail.Sectors)*int64(f.sectorSize)),
	).Replace(askPage)
	if u.JSON {
		return u.Object(document.KindKitAsk, kitAskJSON{schema, head.Sectors, tail.Sectors, f.sectorSize, page})
	}
	u.Answerf("%s", page)
	return nil
}

// askPage is the page. It names nothing but general-purpose tools.
const askPage = `PLEASE: THE BOOT AREAS OF A DRIVE THAT WORKS

My device does not start any more, because its drive has died. You have the same
device, and yours works. What I need is not your music and not your files, but
the few sectors at both ends of the drive that make the device start.

WHAT IS WANTED

  1. The number of sectors of your drive, exactly. Call it N below.
  2. head.bin: the first {HEAD} sectors ({HEADBYTES} bytes).
  3. tail.bin: the last {TAIL} sectors ({TAILBYTES} bytes).
  4. The name of the device, its version if it shows one, and what is printed on
     the drive.

It takes some minutes. Take the drive out of the device, with the power off, and
connect it to a computer by an adapter.

BEFORE YOU BEGIN

  - Everything below only reads. Nothing is written to your drive.
  - The computer may say that the drive is not readable and offer to initialise,
    format or repair it. CANCEL. Saying yes would destroy what is on it.
  - Never write to your drive, not even to try something out. If it has a switch
    or jumper that protects it from writing, use it.
  - If the drive makes strange noises or is very slow, stop. It may be dying,
    too.
  - In each command "of=" names the file that is made. It must be head.bin or
    tail.bin in a folder of your computer, and never begin with /dev.

WITH LINUX

  Find the drive by its size (here it is sdX; put the right letter for X):

    lsblk -d -o NAME,SIZE,MODEL

  The sector size, which must be {SIZE}, and the number of bytes; N is the number
  of bytes divided by {SIZE}:

    sudo blockdev --getss --getsize64 /dev/sdX

  Head and tail:

    sudo dd if=/dev/sdX of=head.bin bs={SIZE} count={HEAD}
    N=$(( $(sudo blockdev --getsize64 /dev/sdX) / {SIZE} ))
    sudo dd if=/dev/sdX of=tail.bin bs={SIZE} skip=$((N - {TAIL})) count={TAIL}
    echo $N

WITH MACOS

  If it offers to initialise the drive, choose "Ignore" or "Eject", never
  "Initialise". Find the drive by its size (here it is disk9):

    diskutil list

  "Disk Size" tells the exact number of bytes; "Device Block Size" must be {SIZE}.
  N is the number of bytes divided by {SIZE}:

    diskutil info disk9

  Head and tail, with your number instead of 39070080:

    N=39070080
    diskutil unmountDisk disk9
    sudo dd if=/dev/rdisk9 of=head.bin bs={SIZE} count={HEAD}
    sudo dd if=/dev/rdisk9 of=tail.bin bs={SIZE} skip=$((N - {TAIL})) count={TAIL}

WITH WINDOWS

  Windows has no command of its own that reads the sectors of a drive. Start the
  computer from a USB stick with any Linux system that runs without being
  installed, and do as above. Do not let Windows initialise the drive.

CHECK

  head.bin must have {HEADBYTES} bytes and tail.bin {TAILBYTES} bytes. If the
  drive has fewer sectors than both together, send one file of all of it.

WHAT IT MAY REVEAL

  Some devices keep names, texts, serial numbers or the beginning of recordings
  in these sectors. A partition table and a start-up program are in them too,
  and often a number that tells your drive from every other. Look through the
  files if that matters to you, and send them only to somebody you trust. I
  shall not pass them on.

  The start-up program may be somebody's work. If you are not sure that you may
  pass it on where you live, ask, or do not send it.

Thank you.

(What the two files are for: they become one small file, a kit, with

  bootgraft kit make --sectors N --part 0s=head.bin \
      --part end-{TAIL}s=tail.bin -o device.kit )
`
