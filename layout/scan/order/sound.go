package order

import (
	"context"

	"bootgraft/image"
	"bootgraft/image/capture"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/scan/sound"
	"bootgraft/layout/scan/sound/tracks"
)

// Samples: by hand, no source. One in a thousand is 40 MiB of a disk of 40 GB, some
// minutes of a drive that is slow, and a song is longer than the room between two.
const (
	sampleBytes = 64 << 10
	sampleEvery = 64 << 20
	leastRoom   = 1 << 20 // less is read as soon as it is asked about
)

// listen names a sample of every stretch outside the volumes, and the stretches whose
// sample is known and sounds. What is noise, code or blank stays without a name: it is
// read after what has one.
func (a *Advisor) listen(ctx context.Context, s *layout.Map, known image.Source) ([]capture.Wish, error) {
	n := disk.Sector(known.SectorSize())
	outside := tracks.Outside(s)
	var samples, heard []capture.Wish
	for at := disk.Sector(0); at < s.Sectors; at += sampleEvery / n {
		parts := outside.Within(disk.Span{Start: at, Count: sampleEvery / n})
		if parts.Sectors() < leastRoom/n {
			continue
		}
		one := sampleOf(parts, sampleBytes/n)
		samples = append(samples, capture.Wish{Span: one, Class: capture.Samples})
		sounds, err := a.judge(ctx, known, one)
		if err != nil {
			return nil, err
		}
		for _, p := range parts {
			if sounds {
				heard = append(heard, capture.Wish{Span: p, Class: capture.Sound})
			}
		}
	}
	return append(samples, heard...), nil
}

// sampleOf returns a sample from the middle of the longest part, at a place where one read
// takes it.
func sampleOf(parts disk.Spans, count disk.Sector) disk.Span {
	longest := parts[0]
	for _, p := range parts {
		if p.Count > longest.Count {
			longest = p
		}
	}
	at := (longest.Start + longest.Count/2) / count * count
	return disk.Span{Start: max(at, longest.Start), Count: count}.Common(longest)
}

// judge tells whether a sample that is known sounds, and remembers it.
func (a *Advisor) judge(ctx context.Context, known image.Source, s disk.Span) (bool, error) {
	if is, ok := a.sounds[s.Start]; ok {
		return is, nil
	}
	if len(image.Unknown(known, s)) > 0 {
		return false, nil
	}
	is, err := sound.Sounds(ctx, known, s)
	if err != nil {
		return false, err
	}
	if a.sounds == nil {
		a.sounds = map[disk.Sector]bool{}
	}
	a.sounds[s.Start] = is
	return is, nil
}
