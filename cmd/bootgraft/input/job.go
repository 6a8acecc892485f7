package input

import (
	"context"
	"errors"
	"fmt"
	"os"

	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image"
	"bootgraft/image/capture/record"
	"bootgraft/image/disk"
	"bootgraft/layout/plan"
	"bootgraft/layout/plan/card"
	"bootgraft/layout/plan/starts"
	"bootgraft/safety/blockdev"
)

// Job is a plan with its source: a planned card that can be read.
type Job struct {
	Plan  *plan.Plan
	Src   *Source
	Card  *card.Card
	Files []os.FileInfo // everything that the job reads
	Words string        // flags that a next command about the same plan needs
	Close func()
}

// OpenJob opens a plan and its source, and refuses a source that changed.
func OpenJob(planPath string, source PlanSourceFlags) (*Job, error) {
	p, f, err := openPlan(planPath)
	if err != nil {
		return nil, err
	}
	st, err := f.Stat()
	if err != nil {
		f.Close()
		return nil, err
	}
	src, err := planSource(p, planPath, source)
	if err != nil {
		f.Close()
		return nil, err
	}
	j := &Job{Plan: p, Src: src, Words: source.Words(), Files: append([]os.FileInfo{st}, src.Files...), Close: func() {
		src.Close()
		f.Close()
	}}
	if err := card.Stale(p, src); err != nil {
		j.Close()
		return nil, staleError(p, src, err)
	}
	if j.Card, err = card.New(p, src); err != nil {
		j.Close()
		return nil, err
	}
	return j, nil
}

// staleError says of a source that it is not the one of the plan: which one was
// wanted, and which one was given.
func staleError(p *plan.Plan, src *Source, err error) error {
	var stale *card.StaleError
	if !errors.As(err, &stale) {
		return err
	}
	want := "the drive"
	if p.Source.Path != "" {
		want = p.Source.Path
	}
	wanted := fmt.Sprintf("%s, which had %s", want, disk.SizeText(p.Source.Sectors, p.Source.SectorSize))
	if stale.What == card.OtherMeaning {
		return talk.Refusef("%s is not the source of this plan, or it was changed since.\n"+
			"  wanted: %s, and check number %s of the sectors on which the plan rests\n"+
			"  given:  %s, of the same size, and check number %s\n"+
			"Give the right one with --source, or plan again for this one", src.Path, wanted, stale.Want, src.Path, stale.Have)
	}
	return talk.Refusef(
		"%s is not the source of this plan: it is another drive.\n  wanted: %s\n  given:  %s, "+
			"which has %s\nGive the right one with --source, or plan again for this one",
		src.Path, wanted, src.Path, disk.SizeText(image.Sectors(src), src.SectorSize()))
}

// Starts says what stops the planned card from starting.
func (j *Job) Starts(ctx context.Context, u *talk.UI) (*starts.Report, error) {
	m, err := j.Src.Survey(ctx, u)
	if err != nil {
		return nil, err
	}
	return starts.Judge(ctx, j.Plan, j.Src, m, starts.Known{})
}

// Guarded lists what the job reads, which must not lie on the card.
func (j *Job) Guarded(planPath string) []blockdev.File {
	var out []blockdev.File
	for i, st := range j.Files {
		f := blockdev.File{Path: st.Name(), Info: st, Role: "the record of the source"}
		switch i {
		case 0:
			f.Path, f.Role = planPath, "the plan"
		case 1:
			f.Path, f.Role = j.Src.Path, "the source"
		}
		out = append(out, f)
	}
	return out
}

// OriginalOf returns how the drive that the source was read from can be told.
func OriginalOf(src *Source) image.Identity {
	switch s := src.Source.(type) {
	case *record.Source:
		return s.Record().Identity
	case interface{ Identity() image.Identity }:
		return s.Identity()
	}
	return image.Identity{}
}
