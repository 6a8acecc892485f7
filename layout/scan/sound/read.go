package sound

import (
	"errors"
	"io"

	"bootgraft/image"
	"bootgraft/image/disk"
)

// Bytes returns the bytes of the run as they were written: words turned back, and
// zeros for what is missing.
func (r *Run) Bytes(src image.Source) io.Reader {
	return &stretch{src: image.NewLens(src, r.Format.Swap), at: r.Start, end: r.End()}
}

// stretch reads bytes of a source in order and gives fill for those that it does not know.
type stretch struct {
	src     image.Source
	at, end int64
	fill    byte
}

// Read implements io.Reader. Failed reads other than of unknown sectors end it.
func (s *stretch) Read(p []byte) (int, error) {
	if s.at >= s.end {
		return 0, io.EOF
	}
	p = p[:min(int64(len(p)), s.end-s.at)]
	n := int64(s.src.SectorSize())
	first := s.at / n
	asked := disk.Between(disk.Sector(first), disk.Sector((s.at+int64(len(p))+n-1)/n))
	if u := image.Unknown(s.src, asked); len(u) > 0 {
		if u[0].Start > disk.Sector(first) {
			p = p[:int64(u[0].Start)*n-s.at]
		} else {
			return s.silent(p[:min(int64(len(p)), int64(u[0].End())*n-s.at)]), nil
		}
	}
	if err := image.ReadFull(s.src, p, s.at); err != nil {
		var unknown *image.UnknownError
		if !errors.As(err, &unknown) {
			return 0, err
		}
		return s.silent(p[:min(int64(len(p)), (first+1)*n-s.at)]), nil
	}
	s.at += int64(len(p))
	return len(p), nil
}

func (s *stretch) silent(p []byte) int {
	for i := range p {
		p[i] = s.fill
	}
	s.at += int64(len(p))
	return len(p)
}

// Samples gives the samples of a run as WAV has them: little-endian, one sample of each
// channel in turn, 8 bits unsigned and more bits signed, in as many bytes as they need.
type Samples struct {
	format Format
	in     io.Reader
	size   int64
	frames int64 // that one group gives: a frame, or a block of every channel
	group  []byte
	out    []byte
	ready  []byte // of out, not yet read
}

// groupBytes is about how much is read at once.
const groupBytes = 64 << 10

// PCM returns the samples of a run, with silence for what is missing. It fails if the run
// is of packed sound.
func (r *Run) PCM(src image.Source) (*Samples, error) {
	f := r.Format
	if err := f.Check(); err != nil {
		return nil, err
	}
	s := &Samples{format: f}
	unit := f.Frame()
	if f.Block > 0 {
		unit = f.Block * int64(f.Channels)
	}
	groups := max(1, groupBytes/unit)
	whole := r.Data.Count / unit * unit
	s.size = whole / int64(f.Width) * int64(f.Bits/8)
	in := &stretch{src: image.NewLens(src, f.Swap), at: r.Data.Start, end: r.Data.Start + whole}
	if f.Unsigned && f.Bits == 8 {
		in.fill = 0x80
	}
	s.in = in
	s.frames = unit / f.Frame()
	s.group = make([]byte, groups*unit)
	s.out = make([]byte, len(s.group)/f.Width*(f.Bits/8))
	return s, nil
}

// Size returns how many bytes all samples take.
func (s *Samples) Size() int64 { return s.size }

// Read implements io.Reader.
func (s *Samples) Read(p []byte) (int, error) {
	if len(s.ready) == 0 {
		n, err := io.ReadFull(s.in, s.group)
		if n == 0 || err != nil && !errors.Is(err, io.ErrUnexpectedEOF) {
			return 0, err
		}
		s.ready = s.turn(s.group[:n])
	}
	n := copy(p, s.ready)
	s.ready = s.ready[n:]
	return n, nil
}

// turn puts whole groups of the disk into the order of WAV.
func (s *Samples) turn(b []byte) []byte {
	f := s.format
	width, bytes := int64(f.Width), int64(f.Bits/8)
	group := s.frames * f.Frame()
	out := s.out[:int64(len(b))/width*bytes]
	to := out
	for ; int64(len(b)) >= group; b = b[group:] {
		for i := range s.frames {
			for c := range int64(f.Channels) {
				at := (i*int64(f.Channels) + c) * width
				if f.Block > 0 {
					at = c*f.Block + i*width
				}
				f.sample(to, b[at:at+width])
				to = to[bytes:]
			}
		}
	}
	return out
}

// sample writes one sample of the disk as WAV has it.
func (f Format) sample(to, from []byte) {
	n := f.Bits / 8
	skip := f.Width - n // bytes below those that carry sound, lowest first
	if f.Low {
		skip = 0
	}
	for i := range n {
		if f.Order == Big {
			to[i] = from[f.Width-1-skip-i]
		} else {
			to[i] = from[skip+i]
		}
	}
	if f.Unsigned != (f.Bits == 8) {
		to[n-1] ^= 0x80
	}
}
