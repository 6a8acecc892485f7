package image

import (
	"container/list"
	"sync"

	"bootgraft/image/disk"
)

// Sizes of a Cache, in bytes.
const (
	cacheBlock = 16 << 10 // read and kept as one
	cacheRoom  = 8 << 20  // kept of what lies between the edges, read last
	cacheEdge  = 2 << 20  // at either end of the source, kept as long as the Cache
	cacheRead  = 64 << 10 // a longer read between the edges is content, and not kept
)

// Cache is a Source that reads sectors of another one once, where many ask for
// them: both ends of the disk, where boot areas and tables lie, and what was read
// last in small pieces elsewhere. It keeps at most 12 MiB. It is for a source that
// does not change meanwhile. A read that fails is asked of the source as it came,
// and nothing is kept of it.
//
// It may be used by several goroutines at once.
type Cache struct {
	Source

	mu     sync.Mutex
	blocks map[int64]*list.Element // by number
	recent list.List               // of *block, the one used last in front; edges are not in it
	edges  map[int64][]byte
}

// block is some bytes of the source, fewer than cacheBlock at its end.
type block struct {
	number int64
	bytes  []byte
}

// NewCache returns a Cache of a source.
func NewCache(src Source) *Cache {
	return &Cache{Source: src, blocks: map[int64]*list.Element{}, edges: map[int64][]byte{}}
}

// NextData implements Sparse.
func (c *Cache) NextData(off int64) (start, end int64) { return NextData(c.Source, off) }

// Unknown implements Partial.
func (c *Cache) Unknown(w disk.Span) disk.Spans { return Unknown(c.Source, w) }

// ReadAt implements io.ReaderAt.
func (c *Cache) ReadAt(b []byte, off int64) (int, error) {
	end := off + int64(len(b))
	if len(b) == 0 || off < 0 || end > c.Size() || len(b) > cacheRead && !c.isEdge(off, end) {
		return c.Source.ReadAt(b, off)
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	first, last := off/cacheBlock, (end-1)/cacheBlock
	if !c.fetch(first, last) {
		return c.Source.ReadAt(b, off)
	}
	n := 0
	for number := first; number <= last; number++ {
		n += copy(b[n:], c.get(number)[off+int64(n)-number*cacheBlock:])
	}
	return n, nil
}

// isEdge tells whether bytes lie at one of the ends of the source.
func (c *Cache) isEdge(off, end int64) bool { return end <= cacheEdge || off >= c.Size()-cacheEdge }

func (c *Cache) get(number int64) []byte {
	if b := c.edges[number]; b != nil {
		return b
	}
	if e := c.blocks[number]; e != nil {
		c.recent.MoveToFront(e)
		return e.Value.(*block).bytes
	}
	return nil
}

// fetch reads the blocks that are not there yet, those in a row at once.
func (c *Cache) fetch(first, last int64) bool {
	for at := first; at <= last; at++ {
		if c.get(at) != nil {
			continue
		}
		to := at
		for to < last && c.get(to+1) == nil {
			to++
		}
		b := make([]byte, min((to+1)*cacheBlock, c.Size())-at*cacheBlock)
		if ReadFull(c.Source, b, at*cacheBlock) != nil {
			return false
		}
		for ; at <= to; at++ {
			n := min(len(b), cacheBlock)
			c.keep(at, b[:n:n])
			b = b[n:]
		}
		at--
	}
	return true
}

func (c *Cache) keep(number int64, b []byte) {
	if off := number * cacheBlock; c.isEdge(off, off+int64(len(b))) {
		c.edges[number] = b
		return
	}
	c.blocks[number] = c.recent.PushFront(&block{number, b})
	for c.recent.Len() > cacheRoom/cacheBlock {
		delete(c.blocks, c.recent.Remove(c.recent.Back()).(*block).number)
	}
}
