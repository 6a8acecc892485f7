package page

import (
	"fmt"
	"runtime"

	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
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
