package join

import (
	"fmt"
	"io"
	"sort"

	"bootgraft/image"
	"bootgraft/image/disk"
)

// Source is the pieces of a song, one behind the other, as a disk of its own.
type Source struct {
	src    image.Source
	pieces []disk.Span   // of src
	at     []disk.Sector // where each piece begins in the song
	whole  disk.Sector
}

// NewSource returns the pieces in their order.
func NewSource(src image.Source, pieces []disk.Span) *Source {
	s := &Source{src: src, pieces: pieces}
	for _, p := range pieces {
		s.at = append(s.at, s.whole)
		s.whole += p.Count
	}
	return s
}

// Size implements image.Source.
func (s *Source) Size() int64 { return int64(s.whole) * int64(s.src.SectorSize()) }

// SectorSize implements image.Source.
func (s *Source) SectorSize() int { return s.src.SectorSize() }

// piece returns the piece that holds sector x of the song.
func (s *Source) piece(x disk.Sector) int {
	return sort.Search(len(s.at), func(i int) bool { return s.at[i]+s.pieces[i].Count > x })
}

// ReadAt implements io.ReaderAt. It names sectors that are not known by their place in
// the song.
func (s *Source) ReadAt(p []byte, off int64) (int, error) {
	if off < 0 {
		return 0, fmt.Errorf("negative offset %d", off)
	}
	n, got := int64(s.SectorSize()), 0
	for got < len(p) && off < s.Size() {
		x := disk.Sector(off / n)
		i := s.piece(x)
		end := int64(s.at[i]+s.pieces[i].Count) * n
		part := p[got:min(int64(len(p)), int64(got)+end-off)]
		run := disk.Between(x, disk.Sector((off+int64(len(part))+n-1)/n))
		if u := s.Unknown(run); len(u) > 0 {
			return got, &image.UnknownError{Span: u[0], State: image.Missing}
		}
		if err := image.ReadFull(s.src, part, off+int64(s.pieces[i].Start-s.at[i])*n); err != nil {
			return got, err
		}
		got += len(part)
		off += int64(len(part))
	}
	if got < len(p) {
		return got, io.EOF
	}
	return got, nil
}

// Unknown implements image.Partial.
func (s *Source) Unknown(w disk.Span) (out disk.Spans) {
	for i := s.piece(w.Start); i < len(s.pieces) && s.at[i] < w.End(); i++ {
		here := disk.Span{Start: s.at[i], Count: s.pieces[i].Count}.Common(w)
		move := s.pieces[i].Start - s.at[i]
		for _, u := range image.Unknown(s.src, disk.Span{Start: here.Start + move, Count: here.Count}) {
			out = out.Add(disk.Span{Start: u.Start - move, Count: u.Count})
		}
	}
	return out
}

// Places returns where a run of sectors of the song lies on the disk, in the order of the
// song.
func (s *Source) Places(w disk.Span) (out []disk.Span) {
	for i := s.piece(w.Start); i < len(s.pieces) && s.at[i] < w.End(); i++ {
		here := disk.Span{Start: s.at[i], Count: s.pieces[i].Count}.Common(w)
		out = append(out, disk.Span{Start: here.Start + s.pieces[i].Start - s.at[i], Count: here.Count})
	}
	return out
}
