package main

import (
	"strings"

	"github.com/spf13/cobra"

	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/input"
	"bootgraft/cmd/bootgraft/page"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image"
	"bootgraft/layout/kit"
	"bootgraft/layout/plan"
	"bootgraft/layout/plan/offer"
)

// commonSizes are those that cards are sold in, common practice without a source.
const commonSizes = "2GB,4GB,8GB,16GB,32GB,64GB,128GB"

// severalSizes returns the sizes in a list, or nil if it is one size. A comma divides
// sizes behind a unit only; within a number it parts the thousands.
func severalSizes(text string) []string {
	if text == "common" {
		text = commonSizes
	}
	var out []string
	for {
		i := strings.IndexFunc(text, func(r rune) bool { return r == ',' })
		for i > 0 && strings.ContainsRune("0123456789", rune(text[i-1])) { // of a number
			next := strings.IndexByte(text[i+1:], ',')
			if next < 0 {
				i = -1
				break
			}
			i += 1 + next
		}
		if i < 0 {
			out = append(out, strings.TrimSpace(text))
			break
		}
		out = append(out, strings.TrimSpace(text[:i]))
		text = text[i+1:]
	}
	if len(out) < 2 {
		return nil
	}
	return out
}

// mostSizes bounds how many cards are planned at once: by hand, more fit no screen.
const mostSizes = 24

// offer says what would become of the drive on cards of several sizes. It writes no plan.
func (f *planFlags) offer(command *cobra.Command, u *talk.UI, src *input.Source, sizes []string) error {
	ctx := command.Context()
	switch {
	case f.out != "":
		return talk.Usagef("-o keeps one plan, and %s are several cards: leave -o out, and plan the one that you choose",
			f.size)
	case f.report.wanted():
		return talk.Usagef("--report goes with one card, and %s are several: plan the one that you choose", f.size)
	case len(sizes) > mostSizes:
		return talk.Usagef("%d sizes are more than one look compares: at most %d", len(sizes), mostSizes)
	}
	var cards []plan.Size
	for _, text := range sizes {
		s, err := input.ParseSize(text, src.SectorSize())
		if err != nil {
			return err
		}
		if err := s.AsCard(image.Sectors(src), text); err != nil {
			return err
		}
		cards = append(cards, plan.Size{Sectors: s.Sectors, SectorSize: src.SectorSize()})
	}
	once := src.Once()
	m, err := once.Survey(ctx, u)
	if err != nil {
		return err
	}
	wishes, err := f.wishes(m, cards[0], src.Path)
	if err != nil {
		return err
	}
	if err := f.volumes.PinsThere(ctx, once, m); err != nil {
		return showRefused(u, err, "")
	}
	_, wishes.Kit = src.Source.(*kit.Kit)
	o, err := offer.Look(ctx, once, m, wishes, cards)
	if err != nil {
		return err
	}
	u.Document(document.NewOffer(sizes, o))
	page.Offer(u, sizes, o, f.known != nil, input.AgainWith(command, "size", "Ns", src.Path))
	if o.Best < 0 {
		return talk.Coded(talk.ExitRefused, offer.ErrNoneFits)
	}
	return nil
}
