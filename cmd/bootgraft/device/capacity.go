package device

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/page"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout/plan"
	"bootgraft/safety"
	"bootgraft/safety/newfile"
	"bootgraft/safety/receipt"
)

// The tests of a card by writing to it.
const (
	Quick = "quick"
	Full  = "full"
)

// testReceipt is how receipts of tests are called, in the current folder.
const testReceipt = "card-test"

// capacityTest is a test of a card by writing to it.
type capacityTest struct {
	*work
	kind   string   // Quick or Full
	second bool     // the first half was done, and the card was pulled since
	broken []string // receipts of quick tests of this card that did not put everything back
}

// Test rehearses a test of a card by writing, Quick or Full, and with the word
// does it; pull makes a quick one in two halves.
func Test(ctx context.Context, u *talk.UI, path, kind string, pull bool, flags Flags) error {
	if img, err := image.Open(path, 512); err == nil {
		return errors.Join(talk.Refusef(
			"%s is an image file; only a card can be other than it says. To look at it: bootgraft card %s",
			path, words.Shell(path)), img.Close())
	}
	w, err := openCard(ctx, u, path, flags)
	if err != nil {
		return err
	}
	defer w.target.Close()
	t := &capacityTest{work: w, kind: kind}
	// What has no size is refused by the guards, for that and all else.
	w.req.Disk = plan.Size{Sectors: max(1, w.facts.Sectors), SectorSize: w.facts.SectorSize}
	w.req.Kind, w.req.KeepAll, w.req.Pull = receipt.QuickTest, flags.KeepAll, pull
	if kind == Full {
		w.req.Kind, w.loses = receipt.FullTest, !w.req.KeepAll
	} else {
		t.showSectors()
	}
	if err := t.chooseReceipt(); err != nil {
		return err
	}
	w.show, w.do = t.show, t.test
	return w.run(ctx)
}

// showSectors makes the bar of a test that counts sectors show bytes.
func (t *capacityTest) showSectors() {
	show, size := t.req.Progress, int64(t.facts.SectorSize)
	t.req.Progress = func(s receipt.Stage, done, total int64) { show(s, done*size, total*size) }
}

// chooseReceipt names the receipt, the given one or the first name that is
// free, and remembers tests of the same card that were broken off.
func (t *capacityTest) chooseReceipt() error {
	t.req.Receipt = t.flags.Receipt
	waiting := "" // for its second half, and perhaps for this card
	for path, free := range receiptNames(testReceipt) {
		if free {
			t.req.Receipt = cmp.Or(t.req.Receipt, path)
			break
		}
		r, err := receipt.Read(path)
		switch {
		case err != nil || r.Kind != receipt.QuickTest || r.Digest == "" || r.Finished() || !r.Same(t.facts):
		case t.req.Pull && r.Stage == receipt.StagePull && t.req.Receipt == "" && t.stampedBy(r):
			t.req.Receipt = path
		case t.req.Pull && r.Stage == receipt.StagePull && waiting == "":
			waiting = path
		default:
			t.broken = append(t.broken, path)
		}
	}
	if _, err := os.Lstat(t.req.Receipt); waiting != "" && t.flags.Receipt == "" && errors.Is(err, fs.ErrNotExist) {
		t.req.Receipt = waiting // is this its card? The rehearsal says why not
	}
	if r, err := receipt.Read(t.req.Receipt); err == nil && t.req.Pull && r.Stage == receipt.StagePull {
		t.second = true
	}
	switch in, err := newfile.UnderDev(filepath.Dir(t.req.Receipt)); {
	case t.req.Receipt == "":
		return talk.Refusef("no free name was found for the receipt; give one with --receipt")
	case in && err == nil:
		return talk.Refusef("the receipt %s would lie among the device nodes, in memory; give another place with --receipt",
			t.req.Receipt)
	}
	return nil
}

// stampedBy tells whether this card may be the one of a first half: behind a
// reader equal cards have the same name.
func (t *capacityTest) stampedBy(r *receipt.Receipt) bool {
	m, err := safety.RemainsOf(r, t.target)
	return err == nil && (m.Stamped > 0 || m.Old > 0 && m.Else == 0)
}

// undoLine is what to type to put back what a test replaced, on a line of its
// own that is never folded.
func (t *capacityTest) undoLine(receipt string) string {
	return "    " + t.undoCommand(receipt)
}

// show says what will happen.
func (t *capacityTest) show(*safety.Rehearsal) {
	t.Answerf("REHEARSAL: %s test of %s\n\n", t.kind, t.path)
	t.cardLines()
	for _, b := range t.broken {
		t.Wrapped("  Look out: ", fmt.Sprintf("an earlier test of this card was broken off, and %s still has what it "+
			"replaced. Put that back first:", b))
		t.Answerf("%s\n", t.undoLine(b))
	}
	t.Answerf("\n%s\n", page.WillHappen)
	switch {
	case t.second:
		t.showSecond()
	case t.kind == Quick:
		t.showQuick()
	default:
		t.showFull()
	}
	t.Wrapped("  ", "Receipt: "+t.req.Receipt)
}

func (t *capacityTest) showQuick() {
	t.Wrapped("  1. ", "What fewer than 500 sectors hold, spread over the whole card, is kept in the receipt.")
	t.Wrapped("  2. ", "Each of them gets a stamp of its own. All are read back past every cache, and the start and a "+
		"stretch at the end are read as well.")
	if t.req.Pull {
		t.Wrapped("  3. ",
			"It stops there, with 7, and the stamps stay on the card. Pull it, wait ten seconds, put it back in, "+
				"and type the same line without --confirm: the second half reads the stamps and puts back what they "+
				"replaced. Do not use the card before.")
	} else {
		t.Wrapped("  3. ", "What they held is put back and read back. Fewer than 1,000 sectors are written in all; it "+
			"takes seconds.")
	}
	t.Wrapped("  ", "It finds every card that repeats or forgets, whatever its true size, but not single bad sectors; "+
		"that is --write-test full.")
	if !t.req.Pull {
		t.Wrapped("  ", CannotSee)
	}
	t.Wrapped("  ", "If the card is pulled or the power fails meanwhile, the receipt puts back what was replaced:")
	t.Answerf("%s\n", t.undoLine(t.req.Receipt))
}

// CannotSee is what the quick test in one go is blind for.
const CannotSee = "It cannot see a card that keeps what was written last in a memory until its power " +
	"goes, often 4 or " +
	"64 MiB: add --pull for that."

func (t *capacityTest) showSecond() {
	t.Wrapped("  ", "This is the second half: the first one left its stamps on the card, and it was pulled since.")
	t.Wrapped("  1. ", "Every stamp is read, and the stretch at the end.")
	t.Wrapped("  2. ", "Wherever one of them lies, what it replaced is put back from the receipt and read back. What "+
		"came onto the card since is not touched.")
}

func (t *capacityTest) showFull() {
	if t.req.KeepAll {
		t.Wrapped("  1. ", "Everything that the card holds is kept in the receipt, compressed.")
	} else {
		t.Wrapped("  1. ", "The tables and both ends of the card are kept in the receipt. All else that it holds is lost.")
	}
	t.Wrapped("  2. ", fmt.Sprintf("Every one of its %s is written, and then every one is read back past every cache.",
		disk.Counted(t.facts.Sectors, "sector")))
	t.Wrapped("  3. ", "Both ends become blank: the card is no disk for any system. The rest of it holds noise.")
	if text := t.leastText(t.facts.Sectors); text != "" {
		t.Wrapped("  ", text)
	}
	if t.req.KeepAll {
		t.Wrapped("  ", "To put it all back afterwards:")
		t.Answerf("%s\n", t.undoLine(t.req.Receipt))
	}
}

// test does it.
func (t *capacityTest) test(ctx context.Context, p *safety.Permit) error {
	run := p.TestQuick
	if t.kind == Full {
		run = p.TestFull
	}
	c, err := run(ctx)
	t.finish()
	var stop *safety.Stopped
	switch {
	case errors.As(err, &stop) && stop.Touched:
		return talk.Coded(talk.ExitFenced, t.brokenOff(stop))
	case err != nil:
		return err
	}
	return t.tested(c)
}

// brokenOff says how to go on after a test that did not come to its end. The
// answer is no longer a *safety.Stopped: that would be told as a broken write.
func (t *capacityTest) brokenOff(stop *safety.Stopped) error {
	again := " To test again type the same command without --confirm"
	if t.flags.Receipt != "" { // a receipt is never written over
		again += ", and with another name for --receipt"
	}
	next := "Look at the card and its reader"
	if stop.Gone() {
		next = "Put the card back in"
	}
	switch {
	case t.kind == Full && t.req.KeepAll:
		next += ". What it held is in the receipt; to put it back:\n" + t.undoLine(t.req.Receipt)
	case t.kind == Full:
		next += ". It holds noise now, as far as the test came." + again
	case stop.Restored:
		next += ". The card holds what it held before." + again
	default:
		next += ". To put back what the test replaced:\n" + t.undoLine(t.req.Receipt)
	}
	return fmt.Errorf("the test came to no answer: %s\n%s", talk.ErrorText(stop), next)
}

// tested tells the verdict. A card that is not what it says ends the program
// with 5.
func (t *capacityTest) tested(c safety.Capacity) error {
	size := t.facts.SectorSize
	t.Document(document.NewCardTest(t.path, t.kind, size, t.kind == Quick && c.Trick != safety.Waits, c))
	if c.Trick == safety.Waits {
		return t.waits()
	}
	t.Wrapped("", fmt.Sprintf("%s: %s", t.path, verdictText(c, size, t.kind)))
	t.Wrapped("  ", fmt.Sprintf("%s tested, %s written", disk.Counted(c.Tested, "sector"),
		disk.Counted(c.Written, "sector")))
	if c.Unread > 0 {
		t.Wrapped("  ", fmt.Sprintf(
			"It has bad sectors: %s could not be read, and so were left as they are. "+
				"--write-test full writes every one, which cures those that lost power while they were written",
			disk.Counted(c.Unread, "sector")))
	}
	switch {
	case t.kind == Quick:
		if c.Trick == safety.Honest && !c.Pulled {
			t.Wrapped("  ", CannotSee)
		}
		t.Wrapped("  ", fmt.Sprintf("What the test replaced was put back and read back; the receipt %s can be deleted",
			c.Receipt))
	case t.req.KeepAll:
		t.Wrapped("  ", "The card holds noise. To put back what it held:")
		t.Answerf("%s\n", t.undoLine(c.Receipt))
	default:
		t.Wrapped("  ", fmt.Sprintf("The card holds noise, and its ends are blank; the receipt %s has the old tables",
			c.Receipt))
	}
	if c.Trick != safety.Honest {
		return talk.Coded(talk.ExitDifferent, fmt.Errorf(
			"%s is not what it says: of its %s at most %s can be relied on. Do not put it into a device",
			t.path, disk.Counted(c.Sectors, "sector"), disk.Grouped(c.Real)))
	}
	if c.Unread > 0 {
		return talk.Coded(talk.ExitDifferent, fmt.Errorf(
			"%s is as large as it says, and %s of it cannot be read. Do not put it into a device",
			t.path, disk.Counted(c.Unread, "sector")))
	}
	page.NextPlan(t.UI, c.Sectors, size)
	return nil
}

// waits tells what to do between the halves.
func (t *capacityTest) waits() error {
	t.Answerf("%s: the first half is done, and its stamps are on the card.\n", t.path)
	t.Wrapped("  ", "Pull the card now, wait ten seconds, and put it back in; it may get another name. Then type:")
	t.Answerf("\n  %s\n\n", t.secondLine())
	t.Wrapped("  ", fmt.Sprintf(
		"Do not use it before: what the stamps replaced is in the receipt %s. The second half puts it back; "+
			"without it, this does:",
		t.req.Receipt))
	t.Answerf("%s\n", t.undoLine(t.req.Receipt))
	return talk.Coded(talk.ExitStopped, talk.ErrSaid)
}

// secondLine is what to type for the second half: the same, for its receipt,
// but for the word, which is for the card as it was.
func (t *capacityTest) secondLine() string {
	line := fmt.Sprintf("bootgraft card %s --write-test quick --pull --device", words.Shell(t.path))
	if t.flags.Receipt != "" {
		line += " --receipt " + words.Shell(t.flags.Receipt)
	}
	if t.flags.Fixed != "" {
		line += " --fixed " + words.Verbatim(t.flags.Fixed)
	}
	return words.AsNow(line)
}

// verdictText says what a test found.
func verdictText(c safety.Capacity, sectorSize int, kind string) string {
	of := func(n disk.Sector) string {
		return fmt.Sprintf("%s (%s)", disk.Counted(n, "sector"), disk.BytesText(int64(n)*int64(sectorSize)))
	}
	switch {
	case c.Trick == safety.Honest && kind == Quick:
		return "AS LARGE AS IT SAYS: " + of(c.Sectors) + ". Neither does its upper part repeat its lower part, nor does it " +
			"forget what is written to it"
	case c.Trick == safety.Honest:
		return "AS LARGE AS IT SAYS: " + of(c.Sectors) + ". Every sector gave back what was written to it"
	case c.Trick == safety.Repeats:
		return "THE CARD LIES. What is written to its upper part lies over its lower part. It says that it has " +
			of(c.Sectors) + "; it has at most " + of(c.Real)
	}
	return "THE CARD LIES, OR IT IS WORN OUT. From sector " + disk.Grouped(c.Real) +
		" on it forgets what is written to it: " +
		disk.Counted(c.Bad, "tested sector") + " gave back something else. It says that it has " + of(c.Sectors) +
		"; at most " + of(c.Real) + " can be relied on"
}
