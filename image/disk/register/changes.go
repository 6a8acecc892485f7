package register

import "bootgraft/image/disk"

var changes = Group{"what a device did to a card", []Entry{
	warn(disk.DeviceWroteSize,
		"The device wrote a number about the size of the card where another one stood.",
		"Let the plan follow this number: compare several originals, and plan with --rules."),
	note(disk.DeviceInitialised,
		"The device made a layout of its own for a card of this size.",
		"Keep its image, and compare it with originals of other sizes."),
	warn(disk.VolumeMadeNew,
		"A volume was made new, and what was in it is gone.",
		"Find out who did it. If it was the device, keep the image: it shows the volume that the device wants."),
	warn(disk.DesktopMounted,
		"A computer mounted the card, and left files on it.",
		"Write the card again, and pull it when it is told: what a computer changed says nothing about the "+
			"device."),
}}
