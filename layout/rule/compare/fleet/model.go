// Package fleet makes invented models for tests whose disks have the sizes that
// drives and cards really have, and which count with one size of their own:
// sectors, or these cut to cylinders first, or something that nobody can know.
// A model builds its whole boot area anew for any disk, and judges every byte of
// one. Nothing of it comes from the packages under test.
package fleet

import (
	"fmt"
	"math/rand/v2"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
)

const size = 512 // bytes of a sector

// Reach says what one can hope to find out about a model.
type Reach string

// The kinds of models.
const (
	Plain  Reach = "rounded once"
	Nested Reach = "cut first"
	Beyond Reach = "beyond reach"

	LessAPart Reach = "less a fixed part"
)

// Model is an invented model of device.
type Model struct {
	Seed    int64
	Reach   Reach
	Cut     int64               // sectors of a cylinder to which Nested cuts
	Away    disk.Sector         // sectors at the end that LessAPart does not count
	count   func(n int64) int64 // the size that it counts with
	numbers []number
	drawn   int // of these, the others follow from them or are strange
	sums    []sum
	copies  []copied
	head    int // sectors of the system area
	tail    int // sectors at the end that it looks at
	firm    int // of these, a program that is the same on all units, 0 for none
	serial  string
	clock   bool
	songs   bool
}

// Unit is one device of a model.
type Unit uint64

type number struct {
	sector, at int
	what       string
	of         func(s, n int64) int64 // of the size that counts, and of the sectors
	how        writer
}

type sum struct {
	sector, at, width int
	what              string
	big               bool
}

// copied is a sector of the head that is kept at the end once more.
type copied struct {
	of, end int
	number  byte // of the copy, at byte 500; 0: none
}

func (m *Model) String() string {
	s := fmt.Sprintf("model %d, %s %d, serial %s, copies %v, tail %d", m.Seed, m.Reach, m.Cut, m.serial, m.copies, m.firm)
	for _, x := range m.numbers {
		s += fmt.Sprintf("; %d/%d %s %s", x.sector, x.at, x.what, x.how.name)
	}
	for _, x := range m.sums {
		s += fmt.Sprintf("; %d/%d %s", x.sector, x.at, x.what)
	}
	return s
}

// noise fills b with bytes that seed alone decides.
func noise(b []byte, seed, stream uint64) {
	r := rand.New(rand.NewPCG(seed, stream))
	for i := range b {
		b[i] = byte(r.Uint32())
	}
}

// Areas are the head and the tail of a disk of n sectors, and where the tail
// begins.
func (m *Model) areas(n int64, u Unit) (head, tail []byte, at int64) {
	s := m.count(n)
	head = make([]byte, m.head*size)
	for i := range m.head {
		if i%3 == 1 {
			noise(head[i*size+256:(i+1)*size-32], uint64(m.Seed)+uint64(i)<<40, 1)
		}
	}
	copy(head, "INVENTED FLEET  ")
	m.unit(head, u)
	for _, x := range m.numbers {
		at := x.sector*size + x.at
		x.how.write(head[at:at+x.how.width], x.of(s, n))
	}
	for _, x := range m.sums {
		m.sum(head[x.sector*size:(x.sector+1)*size], x)
	}
	tail = make([]byte, m.tail*size)
	if m.firm > 0 {
		noise(tail[:m.firm*size], uint64(m.Seed), 2)
	}
	for _, c := range m.copies {
		b := tail[(m.tail-c.end)*size:][:size]
		copy(b, head[c.of*size:(c.of+1)*size])
		if c.number > 0 {
			b[500] = c.number
			for _, x := range m.sums {
				if x.sector == c.of {
					m.sum(b, x)
				}
			}
		}
	}
	return head, tail, s - int64(m.tail)
}

// unit puts in what is the unit's own.
func (m *Model) unit(head []byte, u Unit) {
	switch m.serial {
	case "random":
		noise(head[32:40], uint64(u)^uint64(m.Seed), 3)
	case "text":
		r := rand.New(rand.NewPCG(uint64(u), uint64(m.Seed)))
		copy(head[32:], fmt.Sprintf("SN%08d", 10_000_000+r.IntN(80_000_000)))
	}
	if m.clock {
		noise(head[2*size+16:2*size+20], uint64(u)*77, 4)
	}
	if m.songs {
		songs := head[(m.head-4)*size:]
		noise(songs, uint64(u), 5)
		songs[510], songs[511] = 0x55, 0xAA
	}
}

// Count returns the size that the model counts with on a disk of n sectors.
func (m *Model) Count(n disk.Sector) disk.Sector { return disk.Sector(m.count(int64(n))) }

// Disk returns a disk of n sectors as a unit leaves it.
func (m *Model) Disk(n disk.Sector, u Unit) *imagetest.Disk {
	d := imagetest.New(n, size)
	head, tail, at := m.areas(int64(n), u)
	d.Put(disk.Sector(at), tail)
	d.Put(0, head)
	return d
}

// Start is what the model does when a unit is switched on with a disk that was
// made from one of its own: it builds its boot area and looks at every byte.
func (m *Model) Start(src image.Source, u Unit) error {
	n := image.Sectors(src)
	head, tail, at := m.areas(int64(n), u)
	for _, area := range []struct {
		at   disk.Sector
		want []byte
	}{{0, head}, {disk.Sector(at), tail}} {
		have, err := image.ReadSectors(src, disk.Span{Start: area.at, Count: disk.Sector(len(area.want) / size)})
		if err != nil {
			return err
		}
		for i := range have {
			if have[i] != area.want[i] {
				x := i / size * size
				end := min(i+4, x+size)
				return fmt.Errorf("sector %d, byte %d: % x, want % x", area.at+disk.Sector(i/size), i%size, have[i:end],
					area.want[i:end])
			}
		}
	}
	return nil
}
