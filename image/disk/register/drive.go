package register

import "bootgraft/image/disk"

var drive = Group{"the drive and its capture", []Entry{
	note(disk.ShortLook,
		"A block device gets a short look only: its important sectors were read, each once.",
		"Say nothing of the rest of the drive from this. Capture it to see all of it: bootgraft capture."),
	warn(disk.LooksIll,
		"A read failed or took far too long: the drive looks ill.",
		"Do not look any longer. Capture it now: boot areas are read first."),
	warn(disk.DriveLocked,
		"The drive is locked with a password: it says what it is, and gives none of its sectors.",
		"Stop. Start the device with this drive in it if it still runs: the device may know the password. Try none "+
			"by hand."),
	warn(disk.DriveSaysOther,
		"The drive says that it has another number of sectors than what was read of it.",
		"Read it again through another bridge, and compare the two ends: boot areas may lie behind the end that "+
			"this one shows."),
	warn(disk.BridgeCapacity,
		"The number of sectors that is shown says how far the bridge can count, and hardly what the drive has.",
		"Read the drive through another bridge, best one with a port of its own (IDE, SATA), and compare the ends."),
	warn(disk.BridgeSectorSize,
		"The bridge shows sectors of 4,096 bytes where the drive was used with 512, or the other way round.",
		"Read the drive through a bridge that shows the other size; a card that is planned from this one will not start."),
	warn(disk.BridgeByteOrder,
		"The two bytes of each word are exchanged: by the bridge, or on the drive, as some devices keep it.",
		"Read the drive through another bridge. If its bytes are exchanged there too, the device keeps them so: go on."),
	warn(disk.BridgeRepeats,
		"The start of the drive is found again farther behind: the bridge cannot address all of the drive.",
		"Read the drive through another bridge: what is read behind that place is not what lies there."),
	warn(disk.BridgeLastMissing,
		"What lies on the drive goes one sector farther than the bridge shows.",
		"Read the drive through another bridge: the last sector often holds what a device looks for first."),
	warn(disk.BridgeLastUnreadable,
		"The last sector cannot be read. It is bad, or there is none: some bridges show one sector too many.",
		"Ask the drive how many it has, through a reader that can (survey says it), before you trust the end."),
	warn(disk.HiddenArea,
		"The drive hides sectors at its end (a host protected area). The system does not show them, and they are not read.",
		"Go on: most devices never saw them either, and the card is planned for what the drive shows. A device that "+
			"opens the area itself may keep boot areas in it."),
	warn(disk.HungSectors,
		"The drive stopped answering in these sectors; they were not touched again and count as unread.",
		"Finish everything else first. Then --retry-hung tries them one by one; the drive may hang once more."),
	warn(disk.UnstableSectors,
		"These sectors answered differently from one read to the next. The image has the answer that came most "+
			"often.",
		"If one of them lies in a boot area, read it again through another reader and compare; the record keeps "+
			"every answer."),
	warn(disk.DataRepeats,
		"From some address on the drive gave the same data as before, block for block: it or its bridge may "+
			"answer with other sectors.",
		"Read a few of these sectors through another bridge before you trust the capture."),
	warn(disk.LongFill,
		"A long run inside files or tables holds one byte throughout: silence in a recording, or a drive that "+
			"answers so where it cannot read.",
		"Play or open a file that lies there. If it should not be silent, read these sectors again through "+
			"another bridge."),
	warn(disk.ImageChanged,
		"Sectors of the image are no longer what was read from the drive: something else wrote into it, or the "+
			"disk under it fails.",
		"Find out what changed them and move the image to a sound disk; the same capture command reads these "+
			"sectors anew."),
	warn(disk.RecordDamaged,
		"The record of the capture is damaged; what its checksums cannot prove counts as unread.",
		"Run the same capture command again: it puts the record right. Check the disk that the record lies on."),
	warn(disk.CapturesContradict,
		"Two captures of one drive hold different data in the same sectors; the merged image has those of the "+
			"first.",
		"Make sure that both are of one drive and that nobody wrote to it between them; else use one of the two "+
			"alone."),
	warn(disk.FromAnotherDrive,
		"Part of the image comes from another drive of the same model.",
		"Look for serial numbers, sizes or pairing codes in these sectors: they may be those of the other unit."),
	ask(disk.LiveSource,
		"The source is a drive itself, not an image of it: every command that reads it wears it out.",
		"Capture it first: bootgraft capture. Accept this only for a healthy disk."),
	ask(disk.RecordMissing,
		"The image holds what a capture puts where the drive failed, and the record of the capture is not "+
			"beside it.",
		"Put the .record file beside the image or name it with --record. If it is lost for good, accept this: "+
			"only the sectors that can be seen then count as missing."),
	ask(disk.FillOfAnother,
		"Sectors hold the fill of a capture, made for other places: this image was cut out of a capture, or a "+
			"file quotes one.",
		"Use the whole image with its record. If a file on the disk really holds such text, accept this."),
	ask(disk.NotADiskImage,
		"The file says by its first bytes that it is something else than the image of a disk.",
		"Unpack or convert it to a plain image first. If the disk really begins so, accept this."),
	warn(disk.SoundHit,
		"Sectors that the drive could not read lie in a recording outside the volumes: it is silent there.",
		"Listen to it: bootgraft files SOURCE --sound --to DIR writes it, with its LIST.txt. If it is worth more than the "+
			"rest, try the missing sectors again: bootgraft capture with --retry."),
	note(disk.SoundNotLooked,
		"Sectors outside the volumes are missing, and whether they are of recordings was not looked at.",
		"Type bootgraft files SOURCE --sound: it looks, and names the runs that are hit."),
	note(disk.SecondReaderAgrees,
		"An independent reader, another library, found the same.",
		"Nothing has to be done."),
	note(disk.SecondReaderCannot,
		"The independent reader could not read this, so there is no second opinion. That is no fault of the "+
			"disk by itself.",
		"Nothing has to be done; rely on the other checks."),
	warn(disk.SecondReaderDiffers,
		"An independent reader found something else than this program.",
		"Do not trust either of them here. Compare the named file or volume by hand before you plan with it."),
}}
