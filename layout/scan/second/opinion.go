// Package second asks a reader that is not ours, the library go-diskfs, what
// it sees in a partition table and in a FAT volume, and compares that with
// what our own readers have found. Two readers that share no code and agree
// are better evidence than one.
//
// The library is good at what is ordinary and dangerous with what is not: it
// hangs in looping chains, allocates what a damaged disk asks for, and drops
// the errors of reads. So it never decides what to look at. Our strict reader
// proves a volume sound and free of everything that the library is known to
// read wrongly; only then is it asked, through a backend that cannot write,
// remembers every failed read, and shows it nothing but that volume. The
// source must hold still meanwhile: what was proved is read a second time.
//
// The answer is an opinion, never an error: agrees, differs, or cannot read
// this kind. Nothing depends on it.
package second

import (
	"context"
	"fmt"
	"strings"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/scan"
	"bootgraft/layout/volume/fat"
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
	if s.Table != "none" {
		all = append(all, table(src, src, s))
	}
	for _, l := range s.Volumes {
		if !l.Listed {
			continue
		}
		opened, err := scan.Open(src, s, l.Index)
		if err != nil {
			all = append(all, Opinion{layout.VolumeName(l.Index), l.Start, Cannot, err.Error(), Compared{}})
		} else if v, ok := opened.(*fat.Volume); ok { // it reads others too, and not well enough
			all = append(all, volume(ctx, v, v.Source(), l, opt))
		}
		if err := ctx.Err(); err != nil {
			return nil, err
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
		return disk.Notef(disk.SecondReaderAgrees, o.Sector, "an independent reader finds in %s what ours does: %s",
			o.About, strings.TrimSuffix(o.Compared.String()+"; "+o.Why, "; "))
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

// judge turns the outcome of a comparison into the verdict.
func (o *Opinion) judge(err error) {
	switch err := err.(type) {
	case nil:
		o.Verdict = Agrees
	case difference:
		o.Verdict, o.Why = Differs, err.Error()
	default:
		o.Verdict, o.Why, o.Compared = Cannot, err.Error(), Compared{} // what was alike until then does not count
	}
}

// alike compares what the two readers list, as text, in its order. The first
// place where they part is the difference.
func (o *Opinion) alike(theirs, ours []string) error {
	for i, want := range ours {
		switch {
		case i == len(theirs):
			return differf("%s is missing", want)
		case theirs[i] != want:
			return differf("%s where ours has %s", theirs[i], want)
		}
		o.Compared.Entries++
	}
	if len(theirs) > len(ours) {
		return differf("there is %s, which ours does not list", theirs[len(ours)])
	}
	return nil
}
