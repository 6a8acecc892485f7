package blockdev

// Loop is a loop device in use.
type Loop struct {
	Node string // its device node, /dev/loop0
	File string // the path of the file below it, as the kernel shows it

	dev, ino uint64 // of that file; 0 if not known
}
