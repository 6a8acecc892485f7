package main

import (
	"bytes"
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"io"
	"os"
	"slices"
	"strings"

	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/input"
	"bootgraft/cmd/bootgraft/page"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image/disk"
	"bootgraft/layout/kit"
	"bootgraft/layout/kit/gather"
	"bootgraft/layout/scan"
	"bootgraft/safety"
)

// madeKit is a kit on its way.
type madeKit struct {
	kit.Contents
	survey   *scan.Survey
	from     *input.Source // what it is made of
	farInUse disk.Sector
	findings []disk.Finding
	need     []disk.Finding // what has to be accepted by its code
	texts    []kit.Text     // strings on a drive that nobody knows
	allTexts int

	bytes  int64
	sha256 string
}

// look finds what names something or tells the drive apart.
func (k *madeKit) look() error {
	marks := &gather.Marks{Src: k.Source, Spans: k.Spans, Facts: k.FactsOnly}
	if err := marks.Find(k.survey); err != nil {
		return err
	}
	k.Patches = marks.Patches
	switch {
	case !k.FactsOnly:
		k.Identity = marks.Identity[:min(len(marks.Identity), kit.MaxMarks)]
	case len(marks.Identity) > kit.MaxMarks:
		return talk.Refusef("%s runs of bytes tell this drive from others, and facts can mask %s. Take sectors out with --blank SPAN", disk.Grouped(len(marks.Identity)), disk.Grouped(kit.MaxMarks))
	default:
		k.Masked = marks.Identity
	}
	var err error
	if k.need, err = gather.Places(k.from, k.from.Parts, k.survey); err != nil {
		return err
	}
	if n := k.farInUse; n > 0 {
		k.findings = append(k.findings, disk.Warningf(disk.BootAreaCut, disk.NoSector,
			"%s in use lie outside the volumes too, and are not in the kit: only the first of each gap and the end of the disk are. --head and --tail say how much", disk.Counted(n, "sector")))
	}
	if k.FactsOnly {
		return nil // no byte of the drive goes into it
	}
	if err := marks.Labels(k.survey); err != nil {
		return err
	}
	k.need = append(k.need, marks.Need...)
	if k.LayoutKnown {
		return nil
	}
	if k.texts, k.allTexts, err = kit.Texts(k.Source, k.Spans, page.MostTexts); err != nil {
		return err
	}
	k.findings = append(k.findings, disk.Warningf(disk.PrivacyNotKnown, disk.NoSector,
		"neither a table nor a volume was found, so nobody knows what private things the sectors hold; %s found. --blank SPAN takes sectors out", wereFound(k.allTexts)))
	return nil
}

func wereFound(n int) string {
	if n == 1 {
		return "1 string was"
	}
	return disk.Counted(n, "string") + " were"
}

// accepted refuses what was not accepted by its code.
func (k *madeKit) accepted(u *talk.UI, codes []disk.Code) error {
	used := map[disk.Code]bool{}
	var open []disk.Finding
	for _, f := range k.need {
		used[f.Code] = true
		if f.Accepted = slices.Contains(codes, f.Code); !f.Accepted {
			open = append(open, f)
			continue
		}
		k.findings = append(k.findings, f)
	}
	for _, code := range input.OtherCodes(codes) {
		if !used[code] {
			k.findings = append(k.findings, disk.Notef(disk.AcceptNotNeeded, disk.NoSector, "--accept %s was given, but nothing asked for it", code))
		}
	}
	if len(open) == 0 {
		return nil
	}
	if u.JSON {
		u.Document(document.NewRefused(nil, open))
		return talk.Coded(talk.ExitRefused, talk.ErrSaid)
	}
	var b bytes.Buffer
	b.WriteString("refusing to make this kit; nothing was written.\n")
	for _, f := range open {
		b.WriteString(words.Fold("  ", string(f.Code)+": "+f.Text))
		fmt.Fprintf(&b, "    To go on all the same: --accept %s\n", f.Code)
	}
	return talk.Coded(talk.ExitRefused, errors.New(b.String()))
}

// write writes the kit under its name, when it is complete.
func (k *madeKit) write(path string, replace bool, avoid []os.FileInfo) (m *kit.Manifest, err error) {
	sum := &summed{sum: sha256.New()}
	err = input.WriteFile(path, safety.KitFile, replace, avoid, func(w io.Writer) error {
		m, err = kit.Write(io.MultiWriter(w, sum), &k.Contents)
		return err
	})
	var large *kit.TooLargeError
	if errors.As(err, &large) {
		return nil, k.tooLarge(large.Bytes)
	}
	k.bytes, k.sha256 = sum.n, hex.EncodeToString(sum.sum.Sum(nil))
	return m, err
}

// summed counts and hashes what is written.
type summed struct {
	sum hash.Hash
	n   int64
}

func (s *summed) Write(p []byte) (int, error) {
	s.n += int64(len(p))
	return s.sum.Write(p)
}

// tooLarge says what takes the room.
func (k *madeKit) tooLarge(n int64) error {
	total := map[string]disk.Sector{}
	var names []string
	for _, s := range k.Spans {
		if s.State == kit.Stored {
			if total[s.What] == 0 {
				names = append(names, s.What)
			}
			total[s.What] += s.Count
		}
	}
	slices.SortStableFunc(names, func(a, b string) int { return cmp.Compare(total[b], total[a]) })
	var b strings.Builder
	fmt.Fprintf(&b, "the kit would have %s, and a kit has at most %s. In use in the boot areas:\n", disk.BytesText(n), disk.BytesText(kit.MaxBytes))
	for _, name := range names[:min(len(names), 12)] {
		fmt.Fprintf(&b, "  %s: %s\n", name, disk.Counted(total[name], "sector"))
	}
	b.WriteString("Take some of it out with --blank SPAN, or less of each area with --head and --tail.")
	return talk.Refusef("%s", b.String())
}

// kitFacts returns what a survey found, without names and labels.
func kitFacts(s *scan.Survey) kit.Facts {
	f := kit.Facts{Table: s.Table}
	for _, e := range s.Entries[:min(len(s.Entries), kit.MaxFacts)] {
		f.Entries = append(f.Entries, kit.Entry{Span: e.Span, Index: e.Index, Type: e.Type, Active: e.Active, Extended: e.Extended})
	}
	for _, v := range s.Volumes[:min(len(s.Volumes), kit.MaxFacts)] {
		f.Volumes = append(f.Volumes, kit.Volume{Span: v.Span, Index: v.Index, Kind: v.Kind, ClusterBytes: v.ClusterBytes})
	}
	for _, r := range s.Regions[:min(len(s.Regions), kit.MaxFacts)] {
		f.Regions = append(f.Regions, kit.Region{Span: r.Span, Role: r.Role, From: r.Anchor, NonBlank: r.Content.NonBlank, Unread: r.Content.Unread})
	}
	f.Fields = s.Fields[:min(len(s.Fields), kit.MaxFacts)]
	return f
}
