package fat

// Visitor is called back for what a Walk meets. Fields may be nil. What is
// handed over is reused: copy what must last.
type Visitor struct {
	File    func(*File)                 // each file and directory, but the root
	Dir     func(first uint32, _ Chain) // the chain of each directory, the root of FAT32 with it
	Dot     func(*Raw, Slot)            // the entries . and ..
	Deleted func(*Raw, Slot)            // deleted entries, parts of long names left out
}

// Visit walks the volume by one of its tables and returns the finished Walk.
func (v *Volume) Visit(t *Table, to Visitor) *Walk {
	w := v.NewWalk(t, WalkOptions{})
	if to.Dot != nil {
		w.onDot = func(_ *dir, r *Raw, at Slot) { to.Dot(r, at) }
	}
	if to.Dir != nil {
		w.onDir = func(d *dir, ch Chain) { to.Dir(d.first, ch) }
	}
	w.onDeleted = to.Deleted
	for f := range w.Files() {
		if to.File != nil {
			to.File(f)
		}
	}
	return w
}
