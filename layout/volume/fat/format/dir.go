package format

import (
	"encoding/binary"
	"fmt"
	"strings"
	"time"
	"unicode/utf16"

	"bootgraft/layout/volume/fat"
)

// dir is a directory in memory until Close writes it.
type dir struct {
	parent   *dir
	clusters []uint32 // none: the fixed root
	slots    []byte
	dirs     map[string]*dir
	names    map[string][2]int // upper-case name -> bytes of slots that it takes
	shorts   map[[11]byte]bool // those in use
	tails    map[string]int    // last number given to a short base
}

func newDir(parent *dir) *dir {
	return &dir{parent: parent, dirs: map[string]*dir{}, names: map[string][2]int{}, shorts: map[[11]byte]bool{},
		tails: map[string]int{}}
}

// entry is what a 32-byte entry says. FG, "FAT Directory Structure".
type entry struct {
	short [11]byte
	attr  fat.Attr
	time  time.Time
	first uint32
	size  uint32
}

func (e *entry) bytes(k fat.Kind) []byte {
	b := make([]byte, 32)
	le := binary.LittleEndian
	copy(b, e.short[:])
	b[11] = byte(e.attr)
	date, clock := stamp(e.time)
	b[13] = byte(e.time.Second()%2*100 + e.time.Nanosecond()/10_000_000)
	for _, at := range []int{14, 22} {
		le.PutUint16(b[at:], clock)
		le.PutUint16(b[at+2:], date)
	}
	le.PutUint16(b[18:], date)
	if k == fat.FAT32 {
		le.PutUint16(b[20:], uint16(e.first>>16))
	}
	le.PutUint16(b[26:], uint16(e.first))
	le.PutUint32(b[28:], e.size)
	return b
}

// stamp: FG, "Date and Time Formats". Years outside 1980-2107 do not exist there.
func stamp(t time.Time) (date, clock uint16) {
	y := min(max(t.Year(), 1980), 2107) - 1980
	return uint16(y<<9 | int(t.Month())<<5 | t.Day()), uint16(t.Hour()<<11 | t.Minute()<<5 | t.Second()/2)
}

// addEntry puts the entry into d, after the parts of a long name if the name
// is no short one.
func (v *Volume) addEntry(d *dir, name string, e entry) error {
	key := strings.ToUpper(name)
	if err := checkName(name); err != nil {
		return err
	}
	if _, there := d.names[key]; there {
		return fmt.Errorf("the name exists")
	}
	short, same := d.short(name)
	e.short = short
	var b []byte
	if !same {
		b = longParts(name, fat.Checksum(short[:]))
	}
	b = append(b, e.bytes(v.Kind)...)
	d.names[key] = [2]int{len(d.slots), len(d.slots) + len(b)}
	d.shorts[short] = true
	return v.grow(d, b)
}

// grow adds slots to a directory, and clusters as they are needed.
func (v *Volume) grow(d *dir, b []byte) error {
	d.slots = append(d.slots, b...)
	room := v.RootEntries * 32
	if d.clusters != nil {
		n := v.SectorsPerCluster * v.BytesPerSector
		for len(d.clusters)*n < len(d.slots) {
			more, err := v.allocate(1, 0)
			if err != nil {
				return err
			}
			v.table[d.clusters[len(d.clusters)-1]] = more[0]
			d.clusters = append(d.clusters, more[0])
		}
		room = 65536 * 32 // FG: no directory is larger
	}
	if len(d.slots) > room {
		return fmt.Errorf("the directory is full: it has room for %d entries of 32 bytes", room/32)
	}
	return nil
}

func (d *dir) remove(name string) (first uint32, ok bool) {
	key := strings.ToUpper(name)
	at, ok := d.names[key]
	if !ok || d.dirs[key] != nil {
		return 0, false
	}
	for i := at[0]; i < at[1]; i += 32 {
		d.slots[i] = fat.FreeMark
	}
	delete(d.names, key)
	last := d.slots[at[1]-32 : at[1]]
	return uint32(binary.LittleEndian.Uint16(last[20:]))<<16 | uint32(binary.LittleEndian.Uint16(last[26:])), true
}

func checkName(name string) error {
	if n := len(utf16.Encode([]rune(name))); n < 1 || n > 255 || strings.ContainsAny(name, `"*/:<>?\|`) ||
		strings.TrimRight(name, ". ") != name {
		return fmt.Errorf("%q cannot be a file's name", name)
	}
	for _, r := range name {
		if r < 0x20 {
			return fmt.Errorf("%q cannot be a file's name", name)
		}
	}
	return nil
}

// short returns an 8.3 name that is free in d, and whether it says the same as
// name. FG, "Name Limits and Character Sets" and "The Basis-Name Generation
// Algorithm": here every letter outside ASCII becomes _.
func (d *dir) short(name string) (short [11]byte, same bool) {
	base, ext := name, ""
	if i := strings.LastIndexByte(name, '.'); i > 0 {
		base, ext = name[:i], name[i+1:]
	}
	b, e := shortChars(base), shortChars(ext)
	short = [11]byte(append(padded(cut(b, 8), 8), padded(cut(e, 3), 3)...))
	if b == base && e == ext && len(b) <= 8 && len(e) <= 3 && !d.shorts[short] {
		return short, true
	}
	for {
		key := cut(b, 6) + "." + cut(e, 3)
		d.tails[key]++
		tail := fmt.Sprintf("~%d", d.tails[key])
		copy(short[:8], padded(cut(b, 8-len(tail))+tail, 8))
		if !d.shorts[short] {
			return short, false
		}
	}
}

func cut(s string, n int) string { return s[:min(n, len(s))] }

func shortChars(s string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r >= 'A' && r <= 'Z', r >= '0' && r <= '9', strings.ContainsRune("$%'-_@~`!(){}^#&", r):
			return r
		case r >= 'a' && r <= 'z':
			return r - 'a' + 'A'
		case r == ' ', r == '.':
			return -1
		}
		return '_'
	}, s)
}

// longParts renders the parts of a long name, the last first. FG, "Long
// Directory Entries": a name that does not fill its last part is ended by
// 0000h and padded with FFFFh.
func longParts(name string, sum byte) []byte {
	u := utf16.Encode([]rune(name))
	n := (len(u) + 12) / 13
	if len(u)%13 != 0 {
		u = append(u, 0)
	}
	for len(u) < n*13 {
		u = append(u, 0xFFFF)
	}
	var out []byte
	for i := n; i >= 1; i-- {
		b := make([]byte, 32)
		if b[0] = byte(i); i == n {
			b[0] |= fat.LastPart
		}
		b[11], b[13] = byte(fat.AttrLong), sum
		for j, at := range fat.UnitsAt {
			binary.LittleEndian.PutUint16(b[at:], u[(i-1)*13+j])
		}
		out = append(out, b...)
	}
	return out
}

// writeDirs writes a directory, zeros to the end of its clusters, and all below.
func (v *Volume) writeDirs(d *dir) error {
	if d.clusters == nil {
		b := make([]byte, v.Parts.Root*int64(v.BytesPerSector))
		copy(b, d.slots)
		if err := v.put(v.Parts.Data()-v.Parts.Root, b); err != nil {
			return err
		}
	}
	n := v.SectorsPerCluster * v.BytesPerSector
	for i, c := range d.clusters {
		b := make([]byte, n)
		copy(b, d.slots[min(i*n, len(d.slots)):])
		if _, err := v.w.WriteAt(b, v.offset(c)); err != nil {
			return err
		}
	}
	for _, sub := range d.dirs {
		if err := v.writeDirs(sub); err != nil {
			return err
		}
	}
	return nil
}
