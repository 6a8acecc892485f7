package input

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"slices"
	"strings"

	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image"
	"bootgraft/image/capture/record"
	"bootgraft/image/disk"
	"bootgraft/image/packed"
)

// sourceCodes are all codes that a SOURCE may ask for: a next command about the
// same SOURCE needs them again.
var sourceCodes = []disk.Code{disk.LiveSource, disk.RecordMissing, disk.FillOfAnother, disk.NotADiskImage}

// acceptWords are the flags that repeat what was accepted of a SOURCE.
func acceptWords(codes []disk.Code) string {
	var words string
	for _, code := range sourceCodes {
		if slices.Contains(codes, code) {
			words += " --accept " + string(code)
		}
	}
	return words
}

// OtherCodes returns the codes that no SOURCE asks for.
func OtherCodes(codes []disk.Code) []disk.Code {
	return slices.DeleteFunc(slices.Clone(codes), func(c disk.Code) bool { return slices.Contains(sourceCodes, c) })
}

// openPlain takes a file without a record for the image of a disk, unless it says
// itself that it is something else, or less than it seems.
func openPlain(path string, img packed.Image, st os.FileInfo, f SourceFlags) (*Source, error) {
	o := &Source{Source: img, Path: path, Files: []os.FileInfo{st}, Close: img.Close}
	err := f.proveImage(o)
	if err != nil {
		img.Close()
		return nil, err
	}
	return o, nil
}

func (f *SourceFlags) proveImage(o *Source) error {
	ctx := f.context()
	kind, err := foreignKind(o.Source)
	if err != nil {
		return err
	}
	if kind != nil && !slices.Contains(f.Accept, disk.NotADiskImage) {
		drive, err := provesDisk(ctx, o.Source)
		if err != nil {
			return err
		}
		if !drive {
			return sourceRefusal([]disk.Finding{disk.Refusalf(disk.NotADiskImage, 0, "%s", kind.refusal(o.Path))})
		}
	}
	progress, finish := f.progress("looking for lost sectors")
	found, err := record.FindPattern(ctx, o.Source, progress)
	finish()
	if err != nil {
		return err
	}
	o.Findings = patternFindings(o.Path, found)
	if len(found.Own) > 0 {
		o.Source = image.NewKnown(o.Source, found.Own, func(disk.Sector) image.State { return image.Missing })
	}
	if f.Shows {
		return nil
	}
	var open []disk.Finding
	for i := range o.Findings {
		if slices.Contains(f.Accept, o.Findings[i].Code) {
			o.Findings[i].Accepted, o.Findings[i].Severity = true, disk.Warning // asked for and settled here
		} else {
			open = append(open, o.Findings[i])
		}
	}
	return sourceRefusal(open)
}

// patternFindings says what the fill of a capture in an image without a record
// means.
func patternFindings(path string, p record.Pattern) (out []disk.Finding) {
	if len(p.Own) > 0 {
		out = append(out, disk.Refusalf(disk.RecordMissing, p.Own[0].Start,
			"%s of %s hold what a capture puts where the drive failed (%s), and the record of the capture"+
				" is not here. Without it nobody knows which other sectors were never read: they look like zeros."+
				" Put %s%s beside the image again, or name it with --record. If it is lost"+
				" for good, accept this: then only these sectors count as missing",
			disk.Counted(p.Own.Sectors(), "sector"), path, spansText(p.Own), path, record.Suffix))
	}
	if len(p.Other) > 0 {
		out = append(out, disk.Refusalf(disk.FillOfAnother, p.Other[0].Start,
			"%s of %s hold what a capture puts in other sectors where the drive failed (%s)."+
				" Either this image was cut out of a capture, which its record does not fit any more: take it from the"+
				" whole image and its record. Or a file on the disk quotes one: then accept this",
			disk.Counted(p.Other.Sectors(), "sector"), path, spansText(p.Other)))
	}
	return out
}

// spansText names the first few of a list of sectors.
func spansText(list disk.Spans) string {
	const shown = 6
	var words []string
	for i, s := range list {
		if i == shown && len(list) > shown+1 {
			words = append(words, fmt.Sprintf("and %s more runs", disk.Grouped(len(list)-i)))
			break
		}
		word := disk.Grouped(s.Start)
		if s.Count > 1 {
			word += " to " + disk.Grouped(s.Last())
		}
		words = append(words, word)
	}
	return strings.Join(words, ", ")
}

// NeedError is what a SOURCE asks its owner to accept before it is used.
type NeedError struct{ Need []disk.Finding }

func (e *NeedError) Error() string {
	var b bytes.Buffer
	b.WriteString("refusing to use this source; nothing was written.\n")
	for _, f := range e.Need {
		text, line, _ := strings.Cut(f.Text, "\n")
		b.WriteString(words.Fold("  ", string(f.Code)+": "+text))
		if line != "" {
			b.WriteString(line + "\n\n")
		}
		fmt.Fprintf(&b, "    To go on all the same: --accept %s\n", f.Code)
	}
	return b.String()
}

func sourceRefusal(need []disk.Finding) error {
	if len(need) == 0 {
		return nil
	}
	return talk.Coded(talk.ExitRefused, &NeedError{need})
}

// context is that of the command that opens the SOURCE.
func (f *SourceFlags) context() context.Context {
	if f.Command == nil || f.Command.Context() == nil {
		return context.Background()
	}
	return f.Command.Context()
}

// progress is the bar of the command, if it has one.
func (f *SourceFlags) progress(what string) (progress func(done, total int64), finish func()) {
	if f.Bar == nil {
		return nil, func() {}
	}
	return f.Bar(what)
}
