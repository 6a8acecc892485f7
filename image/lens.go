package image

import (
	"fmt"
	"io"
	"slices"

	"bootgraft/image/disk"
)

// Order is a byte order in which a device stores what a PC reads otherwise.
type Order int

// The byte orders seen on old devices.
const (
	Plain  Order = 1 // as read
	Swap16 Order = 2 // the two bytes of every 16-bit word exchanged
	Swap32 Order = 4 // the four bytes of every 32-bit word reversed
)

func (o Order) String() string {
	switch o {
	case Swap16:
		return "16-bit swapped"
	case Swap32:
		return "32-bit reversed"
	}
	return "plain"
}

// Lens is another source with every word of its bytes turned round.
type Lens struct {
	Source
	order Order
}

// NewLens returns src as it reads in the given byte order.
func NewLens(src Source, order Order) *Lens { return &Lens{src, order} }

// Turn reverses every whole word of b in place; doing it twice changes nothing.
func (o Order) Turn(b []byte) {
	n := max(1, int(o))
	for len(b) >= n && n > 1 {
		slices.Reverse(b[:n])
		b = b[n:]
	}
}

// ReadAt reads whole words below and returns the bytes asked for.
func (l *Lens) ReadAt(p []byte, off int64) (int, error) {
	n := int64(max(1, int(l.order)))
	if off < 0 {
		return 0, fmt.Errorf("negative offset %d", off)
	}
	if off >= l.Size() {
		return 0, io.EOF
	}
	want := min(int64(len(p)), l.Size()-off)
	start := off / n * n
	end := min((off+want+n-1)/n*n, l.Size())
	buf := p[:want] // needs no other one, if the words asked for are whole
	if start != off || end != off+want {
		buf = make([]byte, end-start)
	}
	if err := ReadFull(l.Source, buf, start); err != nil {
		return 0, err
	}
	l.order.Turn(buf)
	copy(p[:want], buf[off-start:])
	if want < int64(len(p)) {
		return int(want), io.EOF
	}
	return int(want), nil
}

// NextData implements Sparse: turning zeros round leaves zeros.
func (l *Lens) NextData(off int64) (start, end int64) { return NextData(l.Source, off) }

// Unknown implements Partial: words do not cross sectors.
func (l *Lens) Unknown(w disk.Span) disk.Spans { return Unknown(l.Source, w) }
