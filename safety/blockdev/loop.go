package blockdev

// Loop is a loop device in use.
type Loop struct {
	Node string // its device node, /dev/loop0
	File string // the path of the file below it, as the kernel shows it

	number   string // the device number of the loop, as in sysfs
	dev, ino uint64 // of that file; 0 if not known
	rdev     uint64 // the device it is, if it is one
}
