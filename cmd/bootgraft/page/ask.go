package page

import (
	"fmt"
	"strings"

	"bootgraft/image/disk"
)

// Ask is a page to send to somebody whose unit works: what is wanted, in sectors
// and in bytes, how to read it, and what to mind.
func Ask(head, tail disk.Sector, sectorSize int) string {
	bytes := func(n disk.Sector) string { return disk.Grouped(int64(n) * int64(sectorSize)) }
	return strings.NewReplacer(
		"{HEAD}", fmt.Sprint(head), "{TAIL}", fmt.Sprint(tail), "{SIZE}", fmt.Sprint(sectorSize),
		"{HEADBYTES}", bytes(head), "{TAILBYTES}", bytes(tail),
	).Replace(askPage)
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
