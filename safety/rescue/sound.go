package rescue

import (
	"bytes"
	"context"
	"encoding/binary"
	"fmt"
	"io"
	"time"

	"bootgraft/layout/scan/sound"
	"bootgraft/layout/scan/sound/tracks"
)

// WrittenTrack is a recording that was written out.
type WrittenTrack struct {
	Name   string  // in the folder; empty of one that was left out
	Left   Left    // why the folder could not take it, if that was so
	Silent float64 // seconds of silence in the place of missing sectors
}

// WriteTracks writes recordings into a folder: samples as WAV, containers and frames as
// they are, missing sectors as silence. One that the folder cannot take is left out. What
// was written before an error stays, each file whole.
func WriteTracks(ctx context.Context, list []tracks.Track, into *Folder,
	progress func(done, total int64)) ([]WrittenTrack, error) {
	var done, total int64
	for i := range list {
		total += list[i].Count
	}
	var out []WrittenTrack
	for i := range list {
		t := &list[i]
		w, err := writeTrack(ctx, t, into, func(n int) {
			done += int64(n)
			if progress != nil {
				progress(min(done, total), total)
			}
		})
		if why := leftFor(err); why != "" {
			w, err = WrittenTrack{Left: why}, nil
		}
		if err != nil {
			return out, fmt.Errorf("writing run %d: %w", t.Number, err)
		}
		out = append(out, w)
	}
	return out, nil
}

func writeTrack(ctx context.Context, t *tracks.Track, into *Folder, moved func(int)) (w WrittenTrack, err error) {
	header, body, ending, err := fileOf(t)
	if err != nil {
		return w, err
	}
	w.Name = fmt.Sprintf("%03d-sector-%d.%s", t.Number, t.First(), ending)
	f, err := into.folder.Create(w.Name)
	if err != nil {
		return w, &storeError{err, true}
	}
	defer f.Abandon()
	to := storeWriter{f}
	if err := takeRoom(f, t.Count); err != nil {
		return w, err
	}
	if _, err := to.Write(header); err != nil {
		return w, err
	}
	if _, err := io.CopyBuffer(to, &watched{ctx, body, moved}, make([]byte, 1<<20)); err != nil {
		return w, err
	}
	for _, g := range t.Missing {
		w.Silent += g.Seconds
	}
	return w, storing(f.Finish(time.Time{}))
}

// watched is a reader that stops when ctx does.
type watched struct {
	ctx   context.Context
	r     io.Reader
	moved func(int)
}

func (w *watched) Read(p []byte) (int, error) {
	if err := w.ctx.Err(); err != nil {
		return 0, err
	}
	n, err := w.r.Read(p)
	w.moved(n)
	return n, err
}

// fileOf returns what a recording becomes as a file, and how that ends.
func fileOf(t *tracks.Track) (header []byte, body io.Reader, ending string, err error) {
	if t.Kind != sound.PCM {
		return nil, t.Bytes(t.Source), endingOf(t), nil
	}
	s, err := t.PCM(t.Source)
	if err != nil {
		return nil, nil, "", err
	}
	pad := make([]byte, s.Size()&1) // a chunk ends at an even byte
	return waveHeader(t.Format, s.Size()), io.MultiReader(s, bytes.NewReader(pad)), "wav", nil
}

// endingOf is how the name of a file that is written as it is ends.
func endingOf(t *tracks.Track) string {
	switch t.Kind {
	case sound.AIFF:
		return "aif"
	case sound.AIFC:
		return "aifc"
	case sound.ADTS:
		return "aac"
	case sound.MPEG:
		b := make([]byte, 2)
		// Layer 2 has 10 in these bits of a header (ISO/IEC 11172-3, 2.4.2.3).
		if _, err := io.ReadFull(t.Bytes(t.Source), b); err == nil && b[1]>>1&3 == 2 {
			return "mp2"
		}
		return "mp3"
	}
	return "wav"
}

// waveHeader returns what stands in front of so many bytes of samples: Multimedia
// Programming Interface and Data Specifications 1.0, chapter 3, with the longer "fmt "
// chunk for more than two channels or 16 bits (Multiple Channel Audio Data and WAVE
// Files, Microsoft 2001), and 64-bit lengths where 32 bits do not hold them (EBU Tech
// 3306). All three from memory.
func waveHeader(f sound.Format, size int64) []byte {
	le := binary.LittleEndian
	width := f.Bits / 8
	tag, long := uint16(1), f.Channels > 2 || f.Bits > 16
	if long {
		tag = 0xFFFE
	}
	form := le.AppendUint16(nil, tag)
	form = le.AppendUint16(form, uint16(f.Channels))
	form = le.AppendUint32(form, uint32(f.Rate))
	form = le.AppendUint32(form, uint32(f.Rate*f.Channels*width))
	form = le.AppendUint16(form, uint16(f.Channels*width))
	form = le.AppendUint16(form, uint16(f.Bits))
	if long {
		form = le.AppendUint16(form, 22)
		form = le.AppendUint16(form, uint16(f.Bits))
		form = le.AppendUint32(form, 0) // no channel has a place in a room
		form = append(form, "\x01\x00\x00\x00\x00\x00\x10\x00\x80\x00\x00\xaa\x00\x38\x9b\x71"...)
	}
	const dsChunk = 8 + 28
	all := 4 + 8 + int64(len(form)) + 8 + size + size&1
	if all <= 1<<32-1 {
		out := le.AppendUint32([]byte("RIFF"), uint32(all))
		return appendChunks(append(out, "WAVE"...), form, uint32(size))
	}
	out := append(le.AppendUint32([]byte("RF64"), 1<<32-1), "WAVEds64"...)
	out = le.AppendUint32(out, 28)
	out = le.AppendUint64(out, uint64(all+dsChunk))
	out = le.AppendUint64(out, uint64(size))
	out = le.AppendUint64(out, uint64(size/int64(f.Channels*width)))
	out = le.AppendUint32(out, 0)
	return appendChunks(out, form, 1<<32-1)
}

func appendChunks(out, form []byte, size uint32) []byte {
	out = binary.LittleEndian.AppendUint32(append(out, "fmt "...), uint32(len(form)))
	out = append(append(out, form...), "data"...)
	return binary.LittleEndian.AppendUint32(out, size)
}
