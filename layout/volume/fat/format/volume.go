package format

import (
	"fmt"
	"io"
	"strings"
	"time"

	"bootgraft/layout/volume/fat"
)

// File says how an entry looks, and how its content is laid down.
type File struct {
	Modified time.Time // its wall clock is kept; zero: Options.Time
	Attr     fat.Attr
	// Fragment, if not 0, breaks the content into pieces of so many clusters
	// with as many free ones between them, as far as the room allows.
	Fragment int
}

// Volume is a volume that is being made. Content goes out at once, all else
// with Close. A failed call leaves a volume that must not be used.
type Volume struct {
	Design
	w     io.WriterAt
	table []uint32
	next  uint32 // where the search for a free cluster goes on
	free  uint32
	root  *dir
}

// New begins a volume at byte 0 of w.
func New(w io.WriterAt, o Options) (*Volume, error) {
	g, err := o.Geometry()
	if err != nil {
		return nil, err
	}
	v := &Volume{Design: g, w: w, table: make([]uint32, g.Parts.Clusters+2), next: 2, free: g.Parts.Clusters}
	v.table[0] = g.Kind.EndMin()&^0xFF | uint32(g.Media)
	v.table[1] = g.Kind.End()
	v.root = newDir(nil)
	if g.Kind == fat.FAT32 {
		v.table[g.RootCluster] = g.Kind.End()
		v.free--
		v.root.clusters = []uint32{g.RootCluster}
		v.next = max(2, g.RootCluster%(g.Parts.Clusters+2))
	}
	if g.Label != "" {
		e := entry{short: [11]byte(padded(strings.ToUpper(g.Label), 11)), attr: fat.AttrLabel, time: g.Time}
		err = v.grow(v.root, e.bytes(v.Kind))
	}
	return v, err
}

// Mkdir makes a directory; what lies above it must exist.
func (v *Volume) Mkdir(path string, f File) error {
	parent, name, err := v.parent(path)
	if err != nil {
		return err
	}
	clusters, err := v.allocate(1, 0)
	if err != nil {
		return fmt.Errorf("making directory %s: %w", path, err)
	}
	d := newDir(parent)
	d.clusters = clusters
	e := entry{attr: f.Attr | fat.AttrDir, time: v.when(f), first: clusters[0]}
	if err := v.addEntry(parent, name, e); err != nil {
		return fmt.Errorf("making directory %s: %w", path, err)
	}
	parent.dirs[strings.ToUpper(name)] = d
	self, up := e, e
	self.short, up.short = [11]byte(padded(".", 11)), [11]byte(padded("..", 11))
	up.first = 0
	if parent.parent != nil {
		up.first = parent.clusters[0]
	}
	return v.grow(d, append(self.bytes(v.Kind), up.bytes(v.Kind)...))
}

// Add makes a file of exactly size bytes from content. A nil content writes
// nothing: the file is what lies there already.
func (v *Volume) Add(path string, content io.Reader, size int64, f File) error {
	parent, name, err := v.parent(path)
	if err != nil {
		return err
	}
	if size < 0 || size >= 1<<32 {
		return fmt.Errorf("adding %s: a file has at most 4294967295 bytes, not %d", path, size)
	}
	n := int64(v.SectorsPerCluster) * int64(v.BytesPerSector)
	clusters, err := v.allocate((size+n-1)/n, f.Fragment)
	if err != nil {
		return fmt.Errorf("adding %s: %w", path, err)
	}
	e := entry{attr: or(f.Attr, fat.AttrArchive), time: v.when(f), size: uint32(size)}
	if len(clusters) > 0 {
		e.first = clusters[0]
	}
	if err := v.addEntry(parent, name, e); err != nil {
		return fmt.Errorf("adding %s: %w", path, err)
	}
	if content == nil {
		return nil
	}
	return v.pour(content, size, clusters)
}

// pour writes the content, clusters that follow one another together.
func (v *Volume) pour(r io.Reader, size int64, clusters []uint32) error {
	n := int64(v.SectorsPerCluster) * int64(v.BytesPerSector)
	for len(clusters) > 0 {
		k := 1
		for k < len(clusters) && clusters[k] == clusters[0]+uint32(k) {
			k++
		}
		part := min(int64(k)*n, size)
		if _, err := io.CopyN(io.NewOffsetWriter(v.w, v.offset(clusters[0])), r, part); err != nil {
			return err
		}
		size -= part
		clusters = clusters[k:]
	}
	return nil
}

// Remove deletes a file as systems do: its entry is marked and its clusters
// are free, the content stays where it was.
func (v *Volume) Remove(path string) error {
	parent, name, err := v.parent(path)
	if err != nil {
		return err
	}
	first, ok := parent.remove(name)
	if !ok {
		return fmt.Errorf("removing %s: there is no such file", path)
	}
	for c := first; c >= 2 && c < uint32(len(v.table)); {
		next := v.table[c]
		v.table[c] = 0
		v.free++
		c = next
	}
	return nil
}

func (v *Volume) when(f File) time.Time {
	if f.Modified.IsZero() {
		return v.Time
	}
	return f.Modified
}

func (v *Volume) offset(cluster uint32) int64 {
	return (v.Parts.Data() + int64(cluster-2)*int64(v.SectorsPerCluster)) * int64(v.BytesPerSector)
}

// parent returns the directory that path lies in, and its last element.
func (v *Volume) parent(path string) (*dir, string, error) {
	d := v.root
	parts := strings.Split(path, "/")
	for _, p := range parts[:len(parts)-1] {
		if d = d.dirs[strings.ToUpper(p)]; d == nil {
			return nil, "", fmt.Errorf("%s: there is no directory %s", path, p)
		}
	}
	return d, parts[len(parts)-1], nil
}

// allocate chains n free clusters, from the last one given out onward.
func (v *Volume) allocate(n int64, fragment int) ([]uint32, error) {
	if n > int64(v.free) {
		return nil, fmt.Errorf("%d clusters are needed and %d are free", n, v.free)
	}
	out := make([]uint32, 0, n)
	skip := 0
	for left := len(v.table) * 2; int64(len(out)) < n; left-- {
		c := v.next
		if v.next++; v.next >= uint32(len(v.table)) {
			v.next = 2
		}
		switch {
		case v.table[c] != 0:
		case skip > 0 && left > len(v.table):
			skip--
		default:
			v.table[c] = v.Kind.End()
			if k := len(out); k > 0 {
				v.table[out[k-1]] = c
			}
			if out = append(out, c); fragment > 0 && len(out)%fragment == 0 {
				skip = fragment
			}
		}
	}
	v.free -= uint32(n)
	return out, nil
}

// Close writes the directories, tables and boot sectors.
func (v *Volume) Close() error {
	if err := v.zeros(0, int64(v.Reserved)*int64(v.BytesPerSector)); err != nil {
		return err
	}
	if err := v.writeDirs(v.root); err != nil {
		return err
	}
	for i := range v.FATs {
		if err := v.writeTable(int64(v.Reserved) + int64(i)*v.Parts.Table); err != nil {
			return err
		}
	}
	boot := v.bootSector()
	if v.Kind == fat.FAT32 {
		third := make([]byte, v.BytesPerSector) // FG: the boot record has three sectors, each with the mark
		fat.Sign(third)
		for i, s := range [][]byte{boot, fat.NewFSInfo(v.BytesPerSector, v.free, v.next), third} {
			if err := v.put(backupSector+int64(i), s); err != nil {
				return err
			}
			if err := v.put(int64(i), s); err != nil {
				return err
			}
		}
		return nil
	}
	return v.put(0, boot)
}

func (v *Volume) put(sector int64, b []byte) error {
	_, err := v.w.WriteAt(b, sector*int64(v.BytesPerSector))
	return err
}

func (v *Volume) zeros(off, n int64) error {
	buf := make([]byte, min(n, 1<<20))
	for ; n > 0; n, off = n-int64(len(buf)), off+int64(len(buf)) {
		buf = buf[:min(n, int64(len(buf)))]
		if _, err := v.w.WriteAt(buf, off); err != nil {
			return err
		}
	}
	return nil
}

// writeTable writes one allocation table in parts. Entries of FAT12 come in
// pairs of 3 bytes; its table fits into one part.
func (v *Volume) writeTable(sector int64) error {
	size := v.Parts.Table * int64(v.BytesPerSector)
	for off, at := int64(0), 0; off < size; {
		b := make([]byte, min(1<<20, size-off))
		at += v.Kind.Encode(b, v.table[min(at, len(v.table)):])
		if _, err := v.w.WriteAt(b, sector*int64(v.BytesPerSector)+off); err != nil {
			return err
		}
		off += int64(len(b))
	}
	return nil
}
