package main

import (
	"context"
	"errors"
	"slices"

	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/input"
	"bootgraft/cmd/bootgraft/page"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image"
	"bootgraft/image/capture"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/scan/sound/tracks"
	"bootgraft/safety/rescue"
)

// sounds are the places where files --sound looks.
var sounds = input.Choices{Flag: "sound", Words: []string{"outside", "free"}, None: true}

// envelopeParts is in how many parts a page shows how loud a run is.
const envelopeParts = 240

// runSound lists the recordings outside the files of volumes.
func (f *filesFlags) runSound(ctx context.Context, u *talk.UI, path string) error {
	src, err := f.openDrive(path)
	if err != nil {
		return input.Refused(u, err)
	}
	defer src.Close()
	src.SayDamage(u)
	f.report.names = append(f.report.names, path, f.to)
	if err := f.report.check(src.Files); err != nil {
		return err
	}
	opt := tracks.Options{Free: f.sound == "free"}
	if opt.Ask, err = input.ParseAs(f.as, src); err != nil {
		return err
	}
	m, err := src.Survey(ctx, u)
	if err != nil {
		return err
	}
	if err := f.report.takeDrive(ctx, u, src, m); err != nil {
		return err
	}
	var into *rescue.Folder
	if f.to != "" {
		if into, err = input.NewFolder(f.to); err != nil {
			return err
		}
		defer into.Close()
	}
	var finish func()
	opt.Progress, finish = u.Bar("looking for sound")
	list, err := tracks.Find(ctx, src, m, opt)
	finish()
	if err != nil {
		return err
	}
	s := &page.Sounds{Name: path, List: list, Into: f.to}
	if into != nil {
		if err := writeSound(ctx, u, s, into); err != nil {
			return err
		}
	}
	return f.saySound(u, s)
}

// writeSound writes the tracks of a list into a folder, and the list beside them.
func writeSound(ctx context.Context, u *talk.UI, s *page.Sounds, into *rescue.Folder) (err error) {
	progress, finish := u.Bar("writing sound")
	s.Written, err = rescue.WriteTracks(ctx, s.List.Tracks, into, progress)
	finish()
	if err != nil {
		return err
	}
	err = into.Finish(page.SoundListName, page.SoundList(s))
	s.NoList = into.NoList
	return err
}

// soundHits says which recordings outside the volumes a source lacks sectors of.
func soundHits(ctx context.Context, u *talk.UI, src image.Source, m *layout.Map,
	most int64) ([]tracks.Hit, []disk.Finding, error) {
	progress, finish := u.Bar("looking for sound that is hit")
	defer finish()
	return tracks.Hits(ctx, src, m, most, progress)
}

// addHits adds soundHits of a capture that has ended to what is told of it, and returns them. That they
// cannot be found out takes nothing back.
func (f *captureFlags) addHits(ctx context.Context, u *talk.UI, path string, r *capture.Result) []tracks.Hit {
	if r.Stop != capture.Done || len(r.Missing) == 0 || f.only != "" {
		return nil
	}
	hits, found, err := f.hitsOfImage(ctx, u, path)
	if err != nil {
		u.Sayf("warning: whether sound is hit was not found out: %v", err)
	}
	r.Findings = append(r.Findings, found...)
	return hits
}

func (f *captureFlags) hitsOfImage(ctx context.Context, u *talk.UI, path string) ([]tracks.Hit, []disk.Finding, error) {
	src, m, err := f.openImage(ctx, u, path)
	if err != nil {
		return nil, nil, err
	}
	defer src.Close()
	return soundHits(ctx, u, src, m, tracks.AfterCapture)
}

// saySound tells of the recordings that were found.
func (f *filesFlags) saySound(u *talk.UI, s *page.Sounds) error {
	u.Document(document.NewSound(s.List, s.Written))
	if f.report.wanted() {
		for i := range s.List.Tracks {
			e, err := s.List.Tracks[i].Envelope(envelopeParts)
			if err != nil {
				return err
			}
			s.Envelopes = append(s.Envelopes, e)
		}
		f.report.answer = page.SoundAnswer(s)
	}
	page.Sound(u, s)
	if slices.ContainsFunc(s.Written, func(w rescue.WrittenTrack) bool { return w.Left != "" }) {
		return talk.Coded(talk.ExitIncomplete, errors.New("some runs were left out: the folder could not take them"))
	}
	for i := range s.List.Tracks {
		if len(s.List.Tracks[i].Missing) > 0 {
			return talk.Coded(talk.ExitIncomplete, errors.New("some sectors of the sound are missing"))
		}
	}
	return nil
}
