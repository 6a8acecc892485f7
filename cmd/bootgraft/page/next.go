package page

import (
	"fmt"
	"runtime"

	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image/disk"
	"bootgraft/layout"
)

// WritesCards tells whether a card can be written here, and no line is printed that only
// ends with "not on this system".
const WritesCards = runtime.GOOS == "linux"

// AfterSurvey is what to type when it is known what is on a drive: which card to buy,
// what the one at hand is, and the plan for it.
func AfterSurvey(u *talk.UI, path, flags string) {
	word := words.Shell(path)
	u.Next("Next, which card to buy, what the one at hand is, and the plan for it, with its number of sectors:",
		fmt.Sprintf("bootgraft plan %s --size common%s", word, flags), words.AsRoot("bootgraft card next"),
		fmt.Sprintf("bootgraft plan %s --size Ns%s -o card.plan", word, flags))
}

// Unlisted is how to see into the volumes of an image that no table names: each alone in a
// file is a volume like any other.
func Unlisted(u *talk.UI, path string, m *layout.Map) {
	if runtime.GOOS == "windows" { // which has no dd
		return
	}
	for i, v := range m.Unlisted {
		out := "volume.img"
		if i > 0 {
			out = fmt.Sprintf("volume-%d.img", i+1)
		}
		flag := ""
		if m.SectorSize != 512 {
			flag = fmt.Sprintf(" --sector-size %d", m.SectorSize)
		}
		u.Next("To see into the volume that no table names, a copy of it alone:",
			fmt.Sprintf("dd if=%s of=%s bs=%d skip=%d count=%d conv=sparse", words.Shell(path), out, m.SectorSize, v.Start,
				v.Common(disk.Span{Count: m.Sectors}).Count),
			fmt.Sprintf("bootgraft files %s%s", out, flag))
	}
}

// LinesAfterVerify are the lines to type when a card or its image was compared with its plan.
// A card that differs is read into an image first: whoever compares looks at it more than once.
func LinesAfterVerify(plan, target, flags string, card, same bool) []string {
	compare := "bootgraft compare --before " + words.Shell(plan) + flags + " --after "
	switch {
	case card && !same:
		later := words.AsRoot("bootgraft capture " + words.Shell(target) + " card-later.img")
		return []string{later, compare + "card-later.img"}
	case !same:
		return []string{compare + words.Shell(target)}
	case card:
		return []string{"bootgraft help no-start"}
	}
	write := fmt.Sprintf("bootgraft write %s next --device%s", words.Shell(plan), flags)
	if !WritesCards { // it is typed elsewhere
		return []string{"sudo " + write}
	}
	return []string{words.AsRoot(write)}
}

// AfterVerify is what to do when a card or its image was compared with its plan.
func AfterVerify(u *talk.UI, plan, target, flags string, card, same bool) {
	lines := LinesAfterVerify(plan, target, flags, card, same)
	switch {
	case !same:
		u.Next("If the device had this card meanwhile, what did it do to it?", lines...)
	case card:
		u.Next(fmt.Sprintf("Pull %s and put it into the device. At the first start of a machine that moves: drives off, "+
			"emergency stop pressed; headphones off the ears. If it does not start:", target), lines...)
	case !WritesCards:
		u.Next("Next, the card itself, on Linux, where cards are written; this rehearses:", lines...)
	default:
		u.Next("Next, the card itself; this rehearses:", lines...)
	}
}
