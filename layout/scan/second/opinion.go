package second

import (
	"context"
	"fmt"
	"strings"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
)

// Verdict is what a comparison of the two readers came to.
type Verdict string

// The verdicts.
const (
	Agrees  Verdict = "agrees"
	Differs Verdict = "differs"
	Cannot  Verdict = "cannot" // the second reader cannot read this kind, or did not get through it
)

// Compared counts what both readers were asked and answered alike.
type Compared struct {
	Entries  int   // of the table, or of directories: name, size, kind
	Chains   int   // files and directories whose clusters were compared one by one
	Contents int   // files whose bytes were compared
	Bytes    int64 // in them
}

// Opinion is the second reader's word on a table or on one volume.
type Opinion struct {
	About    string      // "the mbr table", "volume 1"
	Sector   disk.Sector // of the disk, where it begins
	Verdict  Verdict
	Why      string // the first difference; why it cannot; or what was left out, if anything
	Compared Compared
}

// Options are choices of Ask.
type Options struct {
	Contents bool              // compare the bytes of files too
	Progress func(bytes int64) // told how many bytes of files were compared since the last call; may be nil
}

// Ask asks the second reader about the table in force and every FAT volume of
// a survey of src. The error is that of ctx.
func Ask(ctx context.Context, src image.Source, s *layout.Map, opt Options) ([]Opinion, error) {
	var all []Opinion
	if o, ok := Table(src, s); ok {
		all = append(all, o)
	}
	for _, v := range s.Volumes {
		o, ok := Volume(ctx, src, s, v, opt)
		if err := ctx.Err(); err != nil {
			return all, err
		}
		if ok {
			all = append(all, o)
		}
	}
	return all, nil
}

// Findings returns the opinions as findings. None of them is ever a refusal.
func Findings(all []Opinion) []disk.Finding {
	out := make([]disk.Finding, len(all))
	for i, o := range all {
		out[i] = o.Finding()
	}
	return out
}

// Finding returns the opinion as a finding.
func (o Opinion) Finding() disk.Finding {
	switch o.Verdict {
	case Agrees:
		text := fmt.Sprintf("an independent reader finds in %s what ours does: %s", o.About, o.Compared)
		if o.Why != "" {
			text += "; " + o.Why
		}
		return disk.Notef(disk.SecondReaderAgrees, o.Sector, "%s", text)
	case Differs:
		return disk.Warningf(disk.SecondReaderDiffers, o.Sector, "an independent reader finds something else in %s: %s. "+
			"One of the two is wrong: look at that place with a third program before you rely on it", o.About, o.Why)
	}
	return disk.Notef(disk.SecondReaderCannot, o.Sector,
		"no second opinion on %s, which is no fault of the disk by itself: %s", o.About, o.Why)
}

func (c Compared) String() string {
	parts := []string{count(c.Entries, "entry", "entries")}
	if c.Chains > 0 {
		parts = append(parts, count(c.Chains, "chain of clusters", "chains of clusters"))
	}
	if c.Contents > 0 {
		parts = append(parts, fmt.Sprintf("%s with %d bytes", count(c.Contents, "file", "files"), c.Bytes))
	}
	return strings.Join(parts, ", ")
}

func count(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

// Summary says all opinions in one short line, or returns "" if there are none.
func Summary(all []Opinion) string {
	var agree, differ, cannot []string
	for _, o := range all {
		switch o.Verdict {
		case Agrees:
			agree = append(agree, fmt.Sprintf("%s (%s)", o.About, o.Compared.brief()))
		case Differs:
			differ = append(differ, o.About)
		default:
			cannot = append(cannot, o.About)
		}
	}
	var parts []string
	for _, v := range []struct {
		verb  string
		about []string
	}{{"DIFFERS on", differ}, {"agrees on", agree}, {"cannot read", cannot}} {
		if len(v.about) > 0 {
			parts = append(parts, v.verb+" "+strings.Join(v.about, ", "))
		}
	}
	if parts == nil {
		return ""
	}
	return "Second reader " + strings.Join(parts, "; ")
}

func (c Compared) brief() string {
	if c.Contents > 0 {
		return count(c.Contents, "file", "files")
	}
	return count(c.Entries, "entry", "entries")
}

// refusal is the reason why the second reader is not asked, or why what it
// did does not count. It becomes the verdict Cannot.
type refusal struct{ why string }

func (r *refusal) Error() string { return r.why }

// difference is the first place where the two readers part.
type difference struct{ what string }

func (d *difference) Error() string { return d.what }

func refusef(format string, args ...any) error { return &refusal{fmt.Sprintf(format, args...)} }

func differf(format string, args ...any) error { return &difference{fmt.Sprintf(format, args...)} }

// judge turns the outcome of a comparison into the verdict.
func (o *Opinion) judge(err error) {
	switch err := err.(type) {
	case nil:
		o.Verdict = Agrees
	case *difference:
		o.Verdict, o.Why = Differs, err.what
	default:
		o.Verdict, o.Why = Cannot, err.Error()
	}
}

// guarded runs one call into the library. A panic of it is a refusal.
func guarded[T any](call func() (T, error)) (out T, err error) {
	defer func() {
		if p := recover(); p != nil {
			err = refusef("it broke off: %v", p)
		}
	}()
	if out, err = call(); err != nil {
		err = refusef("it says: %v", err)
	}
	return out, err
}
