package safety

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"slices"
	"strings"
	"syscall"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/safety/blockdev"
	"bootgraft/safety/receipt"
)

// examined is what the guards judge.
type examined struct {
	blockdev.Facts
	*Request
	head []byte // the first 1 MiB of the card; nil if it cannot be read
	ours bool   // a receipt says that this card was written here
}

func (x *examined) refuse(code disk.Code, do, why string, args ...any) *Refusal {
	return &Refusal{Code: code, Path: x.Path, Why: fmt.Sprintf(why, args...), Do: do}
}

// deviceGuards are all the reasons not to write to a device. Each returns nil
// if it has nothing against it. All are asked, and all answers are told.
var deviceGuards = []func(*examined) *Refusal{
	isBlockDevice, isHeldByUs, isWholeDisk, isWritable, hasSize, hasSectorSize,
	isNoFileOfTheJob, holdsNoFileOfTheJob, isNotTheOriginal, isNoSystemDisk,
	isNotMounted, isNotSwappedTo, hasNothingOnTop, isNotBehindLoop, isNoMember, isNotWrittenByOthers,
	isCard, hasPlaceForMark,
}

// judge asks every guard that applies: what is no device has no other fault.
// Where two guards see the same, as both the failed open and the size of a
// reader without a card, one of them says it.
func judge(x *examined) []*Refusal {
	if r := isBlockDevice(x); r != nil {
		return []*Refusal{r}
	}
	var out []*Refusal
	for _, g := range deviceGuards {
		r := g(x)
		if r != nil && !slices.ContainsFunc(out, func(o *Refusal) bool { return o.Code == r.Code }) {
			out = append(out, r)
		}
	}
	return out
}

func isBlockDevice(x *examined) *Refusal {
	if x.Mode&fs.ModeDevice != 0 && x.Mode&fs.ModeCharDevice == 0 {
		return nil
	}
	do := "give the node of a whole disk; bootgraft survey lists them"
	if x.Mode.IsRegular() {
		do = "leave out --device to write an image file"
	}
	return x.refuse(disk.TargetWrongKind, do, "it is %s, not a block device", image.Kind(x.Mode))
}

func isHeldByUs(x *examined) *Refusal {
	switch err := x.Held; {
	case err == nil:
		return nil
	case errors.Is(err, syscall.EBUSY):
		return x.refuse(disk.TargetHeld,
			"end what uses it (a mount, also one that was only detached lazily or lies in a container; RAID; "+
				"encryption; another program)",
			"somebody else holds it exclusively")
	case errors.Is(err, fs.ErrPermission):
		return x.refuse(disk.TargetHeld,
			"try again as root; if you are root already, it is not for you to write",
			"there is no permission to write to it (%v)", err)
	case errors.Is(err, errNoMedium), errors.Is(err, syscall.ENXIO), errors.Is(err, syscall.ENODEV):
		return x.refuse(disk.TargetNoMedium, "put the card in", "there is no card in it (%v)", err)
	case errors.Is(err, syscall.EROFS):
		return x.refuse(disk.TargetReadOnly, "move the lock of the card, or use another reader",
			"it cannot be opened for writing (%v)", err)
	}
	return x.refuse(disk.TargetHeld, "find out why, then try again", "it cannot be held (%v)", x.Held)
}

func isWholeDisk(x *examined) *Refusal {
	if !x.Partition {
		return nil
	}
	return x.refuse(disk.TargetIsPartition, "give the whole disk, "+x.Whole,
		"it is a partition, and the plan is for a whole disk")
}

func isWritable(x *examined) *Refusal {
	if !x.ReadOnly {
		return nil
	}
	return x.refuse(disk.TargetReadOnly, "move the lock of the card, or use another reader", "it is read-only")
}

func hasSize(x *examined) *Refusal {
	want, have := x.Disk.Sectors, x.Sectors
	if want == have {
		return nil
	}
	if have == 0 {
		return x.refuse(disk.TargetNoMedium, "put the card in", "its size is 0: there is no card in it")
	}
	word, by := "more", have-want
	if have < want {
		word, by = "fewer", want-have
	}
	if x.Kind == receipt.Undo {
		return x.refuse(disk.TargetSize, "give the card that the receipt is of; bootgraft survey lists the disks",
			"it has %s, %s %s than the card of the receipt", disk.Counted(have, "sector"), disk.Grouped(by), word)
	}
	do := x.Command
	if do == "" || x.SectorSize != x.Disk.SectorSize { // no plan of this source would do
		do = fmt.Sprintf("make a plan for %s", disk.Counted(have, "sector")+fmt.Sprintf(" of %d bytes", x.SectorSize))
	}
	return x.refuse(disk.TargetSize, do, "it has %s, %s %s than the plan is for", disk.Counted(have, "sector"),
		disk.Grouped(by), word)
}

// hasPlaceForMark: the sector of the mark must be one that the plan fills in the
// end, or the mark would stay there, over what was to be left as it is.
func hasPlaceForMark(x *examined) *Refusal {
	at := receipt.MarkSector(x.Disk)
	if x.Kind != receipt.Write || x.Disk.Sectors < 1 || len(common(written(x.Pieces), disk.NewSpans(at))) > 0 {
		return nil
	}
	return x.refuse(disk.TargetNoMark, "make the plan with --excess zero, so that what lies behind the drive is filled",
		"the plan leaves sector %s as it is, and while a card is written its mark lies there", disk.Grouped(at.Start))
}

func hasSectorSize(x *examined) *Refusal {
	if x.SectorSize == x.Disk.SectorSize {
		return nil
	}
	return x.refuse(disk.TargetSectorSize, "use a card or reader with sectors of that size",
		"its sectors have %d bytes, and the plan is for sectors of %d", x.SectorSize, x.Disk.SectorSize)
}

func isNoFileOfTheJob(x *examined) *Refusal {
	return x.related(disk.TargetIsSource, blockdev.IsIt, "it is")
}

func holdsNoFileOfTheJob(x *examined) *Refusal {
	return x.related(disk.TargetHoldsSource, blockdev.LiesOn, "it holds")
}

func (x *examined) related(code disk.Code, rel blockdev.Relation, verb string) *Refusal {
	var names []string
	for _, r := range x.Related {
		if r.Relation == rel {
			names = append(names, fmt.Sprintf("%s (%s)", r.Role, r.Path))
		}
	}
	if len(names) == 0 {
		return nil
	}
	return x.refuse(code, "choose another disk", "%s %s", verb, strings.Join(names, ", "))
}

// isNotTheOriginal knows the original by what the capture noted of it, or by
// its boot area. A bridge gives its own serial number for every drive behind
// it, so there the size must agree as well.
func isNotTheOriginal(x *examined) *Refusal {
	if x.Kind != receipt.Write || x.Source == nil {
		return nil
	}
	id, have := x.Original, x.Identity
	same := id.Serial != "" && id.Serial == have.Serial && id.Model == have.Model
	if same && (id.Trusted() && have.Trusted() || image.Sectors(x.Source) == x.Sectors) {
		do := "put the card in its place"
		if !id.Trusted() || !have.Trusted() {
			do += "; if it is the card, in the reader or bridge that the original was read in, use another one: the number is " +
				"that of the bridge"
		}
		return x.refuse(disk.TargetIsOriginal, do, "it is the original drive: the same model and serial number (%s) as "+
			"in the record", id.Serial)
	}
	if x.ours || x.head == nil || isFilled(x.head, 0) {
		return nil
	}
	head := make([]byte, min(int64(len(x.head)), x.Source.Size()))
	if image.ReadFull(x.Source, head, 0) != nil || !bytes.Equal(head, x.head[:len(head)]) {
		return nil // an original whose boot area is not known cannot be told by it
	}
	return x.refuse(disk.TargetIsOriginal, "if it is a card that was written before, give the receipt of that "+
		"with --earlier",
		"its first %s are those of the original, and no receipt says that they were "+
			"written here", disk.Counted(len(head)/x.Disk.SectorSize, "sector"))
}

func isNoSystemDisk(x *examined) *Refusal {
	if len(x.System) == 0 {
		return nil
	}
	return x.refuse(disk.TargetIsSystemDisk, "choose another disk", "the running system stands on it: %s",
		strings.Join(x.System, ", "))
}

func isNotMounted(x *examined) *Refusal {
	return x.used(blockdev.Mounted, disk.TargetMounted, "unmount it everywhere (umount FOLDER)", "is mounted on")
}

func isNotSwappedTo(x *examined) *Refusal {
	return x.used(blockdev.Swapped, disk.TargetInSwap, "swapoff it first, if it is not the wrong disk",
		"is used for swap, as")
}

func hasNothingOnTop(x *examined) *Refusal {
	return x.used(blockdev.Layered, disk.TargetInLayer, "stop that device first (RAID, encryption, logical volumes)",
		"is part of")
}

func isNotBehindLoop(x *examined) *Refusal {
	return x.used(blockdev.Looped, disk.TargetInLoop, "detach it first (losetup -d)", "is used by the loop device")
}

func isNoMember(x *examined) *Refusal {
	return x.used(blockdev.Member, disk.TargetInVolume, "unmount that file system first", "is one of the devices of")
}

func isNotWrittenByOthers(x *examined) *Refusal {
	return x.used(blockdev.WriterOf, disk.TargetInUse, "end that program", "is open for writing in")
}

// maxUses is how many uses of one kind are named: by hand, no source; the sentence
// stays readable.
const maxUses = 4

func (x *examined) used(how blockdev.How, code disk.Code, do, verb string) *Refusal {
	var uses []string
	more := 0
	for _, u := range x.Uses {
		switch {
		case u.How != how:
		case len(uses) == maxUses:
			more++
		case u.Device == "":
			uses = append(uses, fmt.Sprintf("it %s %s", verb, u.What))
		default:
			uses = append(uses, fmt.Sprintf("%s %s %s", u.Device, verb, u.What))
		}
	}
	if len(uses) == 0 {
		return nil
	}
	if more > 0 {
		uses = append(uses, fmt.Sprintf("and %d more", more))
	}
	return x.refuse(code, do, "%s", strings.Join(uses, ", "))
}

// isCard lets removable things through; for any other disk its owner has to
// give its serial number, which nobody types by mistake.
func isCard(x *examined) *Refusal {
	id := x.Identity
	if id.Removable || id.Bus == "usb" || id.Bus == "mmc" || id.Bus == "loop" {
		return nil
	}
	name := fixedName(x.Facts)
	if x.Fixed == name {
		return nil
	}
	if x.Fixed != "" {
		return x.refuse(disk.TargetFixed, "see which disk it is", "--fixed %s is not this disk, which is %s", x.Fixed, name)
	}
	return x.refuse(disk.TargetFixed, "if it really is the one, add --fixed "+name,
		"it is neither removable nor a memory card (%s)", describe(x.Facts))
}

// fixedName returns what has to be given to write to a disk that is no card:
// its serial number, or its size if it has none.
func fixedName(f blockdev.Facts) string {
	if f.Identity.Serial != "" {
		return f.Identity.Serial
	}
	return decimal(f.Sectors) + "s"
}

func describe(f blockdev.Facts) string {
	text := f.Identity.Model
	if text == "" {
		text = "a disk without a name"
	}
	if f.Identity.Bus != "" {
		text += ", attached by " + f.Identity.Bus
	}
	return text
}

func decimal(n disk.Sector) string { return fmt.Sprintf("%d", n) }
