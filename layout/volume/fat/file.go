package fat

import (
	"fmt"
	"io"
	"sort"

	"bootgraft/image"
	"bootgraft/image/disk"
)

// Content is the bytes of a file. It follows io.ReaderAt.
type Content struct {
	src  image.Source
	size int64
	runs []byteRun
}

// byteRun is a run of bytes that lie together: from At in the file, at Disk
// in the source.
type byteRun struct{ At, Disk, Count int64 }

// ByteSpan is a run of bytes of a file.
type ByteSpan struct {
	Start int64
	Count int64
}

// Open returns the content of a file, exactly as long as the file. What its
// chain does not reach cannot be read; nothing is made up for it.
func (v *Volume) Open(f *File) *Content { return newContent(v.src, f.Extents(), f.Size) }

// newContent returns the first size bytes of the extents, in their order.
func newContent(src image.Source, extents []disk.Span, size int64) *Content {
	c := &Content{src: src, size: size}
	n, at := int64(src.SectorSize()), int64(0)
	for _, e := range extents {
		if at >= size {
			break
		}
		count := min(int64(e.Count)*n, size-at)
		c.runs = append(c.runs, byteRun{at, int64(e.Start) * n, count})
		at += count
	}
	return c
}

// Size returns the size of the file in bytes.
func (c *Content) Size() int64 { return c.size }

// Reader returns a reader of the whole content.
func (c *Content) Reader() *io.SectionReader { return io.NewSectionReader(c, 0, c.size) }

// ReadAt reads from byte off. A chain that ends before the file is an error
// that wraps io.ErrUnexpectedEOF.
func (c *Content) ReadAt(p []byte, off int64) (int, error) {
	if off < 0 {
		return 0, fmt.Errorf("negative offset %d", off)
	}
	if off >= c.size {
		return 0, io.EOF
	}
	want := int(min(int64(len(p)), c.size-off))
	done := 0
	i := sort.Search(len(c.runs), func(i int) bool { return c.runs[i].At+c.runs[i].Count > off })
	for ; i < len(c.runs) && done < want; i++ {
		r := c.runs[i]
		in := off + int64(done) - r.At
		n := int(min(int64(want-done), r.Count-in))
		if err := image.ReadFull(c.src, p[done:done+n], r.Disk+in); err != nil {
			return done, fmt.Errorf("reading byte %d of the file: %w", off+int64(done), err)
		}
		done += n
	}
	switch {
	case done < want:
		return done, fmt.Errorf("the file has %d bytes and its chain ends at byte %d: %w", c.size, off+int64(done),
			io.ErrUnexpectedEOF)
	case done < len(p):
		return done, io.EOF
	}
	return done, nil
}

// Missing returns the bytes of the file that cannot be read: those in sectors
// that the source does not know or does not have, and those that the chain
// does not reach.
func (c *Content) Missing() []ByteSpan {
	var out []ByteSpan
	add := func(start, count int64) {
		if n := len(out); n > 0 && out[n-1].Start+out[n-1].Count == start {
			out[n-1].Count += count
		} else if count > 0 {
			out = append(out, ByteSpan{start, count})
		}
	}
	n := int64(c.src.SectorSize())
	end := int64(0)
	for _, r := range c.runs {
		end = r.At + r.Count
		span := disk.Between(disk.Sector(r.Disk/n), disk.Sector((r.Disk+r.Count+n-1)/n))
		whole := image.Whole(c.src)
		gone := image.Unknown(c.src, span.Common(whole))
		if span.End() > whole.End() {
			gone = gone.Add(disk.Between(max(span.Start, whole.End()), span.End()))
		}
		for _, g := range gone {
			from := max(int64(g.Start)*n, r.Disk)
			to := min(int64(g.End())*n, r.Disk+r.Count)
			add(r.At+from-r.Disk, to-from)
		}
	}
	add(end, c.size-end)
	return out
}
