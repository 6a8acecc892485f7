package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/input"
	"bootgraft/cmd/bootgraft/page"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/safety"
	"bootgraft/safety/blockdev"
	"bootgraft/safety/held"
)

// cardFlags are the flags of every command that writes to a card.
type cardFlags struct {
	device                  bool
	confirm, receipt, fixed string
	earlier                 []string
	accept                  []disk.Code
}

func (f *cardFlags) Add(c *cobra.Command) {
	c.Flags().BoolVar(&f.device, "device", false, "TARGET is a card, not an image file; without --confirm this is a rehearsal")
	c.Flags().StringVar(&f.confirm, "confirm", "", "the word that the rehearsal gave: really write")
	c.Flags().StringVar(&f.receipt, "receipt", "", "where the receipt is written, or is continued")
	c.Flags().StringVar(&f.fixed, "fixed", "", "the serial number of a disk that is no card, to write to it all the same")
}

// check refuses what makes no sense without --device.
func (f *cardFlags) check() error {
	if !f.device && (f.confirm != "" || f.receipt != "" || f.fixed != "") {
		return talk.Usagef("--confirm, --receipt and --fixed go with --device")
	}
	return nil
}

// cardWork is work on a card: it is rehearsed, and done only with the word
// that the rehearsal gave.
type cardWork struct {
	*talk.UI
	flags  cardFlags
	path   string // the TARGET as it was given
	target *blockdev.Target
	facts  blockdev.Facts
	held   *held.Card // what the card holds now
	looked *safety.Looked
	req    safety.Request
	loses  bool // what the card holds is not kept
	waited bool // the card was waited for, and is held since it came

	finish func()                                            // ends the bars
	show   func(r *safety.Rehearsal)                         // what would be done, for a person
	do     func(ctx context.Context, p *safety.Permit) error // does it, and tells
}

// openCard takes hold of a TARGET and looks what it is and what it holds. What
// speaks against it is for the rehearsal to say.
func openCard(u *talk.UI, ctx context.Context, path string, flags cardFlags) (*cardWork, error) {
	w := &cardWork{UI: u, flags: flags, path: path}
	var err error
	if path == "next" {
		w.target, err = blockdev.NextTarget(ctx, func() { u.Sayf("Put the card in now. Waiting for one new disk; Ctrl-C stops.") })
	} else {
		w.target, err = blockdev.OpenTarget(path)
	}
	if err != nil {
		return nil, cardError(path, err)
	}
	if path == "next" {
		w.path, w.waited = w.target.Name(), true
		u.Sayf("%s came.", w.path)
	}
	if w.facts, err = w.target.Look(nil); err != nil {
		return nil, errors.Join(cardError(w.path, err), w.target.Close())
	}
	if errors.Is(w.facts.Held, os.ErrPermission) && os.Geteuid() > 0 {
		return nil, errors.Join(talk.Coded(talk.ExitRefused, input.PermissionError(w.path, os.ErrPermission)), w.target.Close())
	}
	w.held = &held.Card{}
	if w.facts.Held == nil && w.target.Size() > 0 && image.CheckSectorSize(w.target.SectorSize()) == nil {
		w.looked = safety.LookThrough(w.target)
		w.held, err = held.Look(ctx, w.looked)
		if ctx.Err() != nil {
			return nil, errors.Join(context.Cause(ctx), w.target.Close())
		}
		if err != nil {
			w.held = &held.Card{Lines: []string{"it could not be found out: " + err.Error()}, Closed: true}
		}
	}
	w.req.Tables, w.req.Fixed = w.held.Tables, flags.fixed
	w.req.Progress, w.finish = w.stageBars()
	return w, nil
}

// cardError gives a card that cannot be opened its exit code: nothing was
// written.
func cardError(path string, err error) error {
	var known *talk.CodedError
	if err = input.DeviceError(path, err); errors.As(err, &known) || errors.Is(err, context.Canceled) {
		return err
	}
	return talk.Coded(talk.ExitRefused, err)
}

// run rehearses the work, and does it if the word is given.
func (w *cardWork) run(ctx context.Context) error {
	w.req.Program = writtenBy()
	w.req.Looked, w.req.AsRoot = w.looked, w.asRoot()
	r, err := safety.Rehearse(w.target, w.req)
	if err != nil {
		var no *safety.Refusal
		if errors.As(err, &no) {
			return talk.Coded(talk.ExitRefused, err)
		}
		return cardError(w.path, err)
	}
	refusals := r.Refusals
	if w.loses && len(refusals) == 0 {
		w.leaveOutWhatStays()
		refusals = w.lossRefusals()
		if _, err := r.Permit(w.flags.confirm); w.flags.confirm != "" && err != nil {
			refusals = append(refusals, asRefusals(err)...) // why it is asked again
		}
	}
	if len(refusals) > 0 {
		return w.refused(refusals)
	}
	word := w.flags.confirm
	if word == "" {
		if word, err = w.rehearsed(r); word == "" || err != nil {
			return err
		}
	}
	permit, err := r.Permit(word)
	if err != nil {
		return w.refused(asRefusals(err))
	}
	defer w.AtOnce(w.stands)()
	return w.stopped(w.do(ctx, permit))
}

// leaveOutWhatStays takes out of what is asked about the sectors that are not
// written, or that get what they hold already.
func (w *cardWork) leaveOutWhatStays() {
	if w.looked == nil {
		return
	}
	stays := w.held.Known
	for _, p := range w.req.Pieces {
		if p.Op == layout.Leave {
			stays = stays.Union(disk.NewSpans(p.Span))
		}
	}
	if mark, ok := safety.MarkSpan(w.target); ok { // of a write that stopped: nobody's content
		stays = stays.Union(disk.NewSpans(mark))
	}
	w.held.Other.Sectors, w.held.Other.First = w.looked.Used(stays, w.req.Card)
}

// lossRefusals are none of the guards: what they protect is known to its owner
// alone.
func (w *cardWork) lossRefusals() (out safety.Refusals) {
	ask := func(holds bool, code disk.Code, what string) {
		if holds && !slices.Contains(w.flags.accept, code) {
			out = append(out, &safety.Refusal{Code: code, Path: w.path, Why: what,
				Do: "to keep everything that is replaced, in the receipt, add --keep all where the command has it; to lose it: --accept " + string(code)})
		}
	}
	files := "volumes whose files cannot be listed here"
	if w.held.Files > 0 {
		files = disk.Counted(w.held.Files, "file")
	}
	ask(w.held.HoldsFiles(), disk.CardHoldsFiles, fmt.Sprintf("it holds %s (%s), and they would be lost", files, strings.Join(w.held.Lines, "; ")))
	ask(w.held.HoldsUnknown(), disk.CardHoldsUnknown, fmt.Sprintf("it holds what is not known here (%s), and that would be lost", w.held.UnknownText()))
	return out
}

// asRefusals returns what Permit says no with: it fails with nothing else.
func asRefusals(err error) (all safety.Refusals) {
	errors.As(err, &all)
	return all
}

func (w *cardWork) document() *document.Rehearsal {
	return document.NewRehearsal(w.path, w.req.Receipt, w.held.Lines, w.held.Files)
}

// refused tells every reason against the work.
func (w *cardWork) refused(all safety.Refusals) error {
	j := w.document()
	j.Refuse(all)
	w.Document(j)
	var b strings.Builder
	fmt.Fprintf(&b, "refusing to write to %s; nothing was written.\n", w.path)
	for _, r := range all {
		b.WriteString(words.Fold("  ", string(r.Code)+": "+r.Why))
		b.WriteString(words.Fold("    ", "To do: "+r.Do))
	}
	return talk.Coded(talk.ExitRefused, errors.New(b.String()))
}

// rehearsed ends a rehearsal: with the line to type, or, for a card that was
// waited for and is held since it came, with the question for the word.
func (w *cardWork) rehearsed(r *safety.Rehearsal) (word string, err error) {
	text := r.Word.String()
	j := w.document()
	j.Confirm = &text
	w.Document(j)
	w.show(r)
	if c := r.Unstable; c.Sectors > 0 {
		w.Wrapped("  Look out: ", fmt.Sprintf("it answers differently from one time to the next: %s that were read twice, the first is sector %s. It can be tested all the same, but what is read of it, and put back, may be wrong.",
			disk.Counted(c.Sectors, "sector"), disk.Grouped(c.First)))
	}
	w.cautions()
	w.Answerf("\nNOTHING HAS BEEN WRITTEN YET.")
	if w.waited && w.Asks && !w.JSON {
		w.Answerf(" The card is held for you since it came.\nTo do it type this word; anything else ends here:\n\n  %s\n\n> ", text)
		line, _ := bufio.NewReader(w.In).ReadString('\n') // no answer is an answer: no
		if line = strings.TrimSpace(line); line != text {
			return "", talk.Coded(talk.ExitRefused, errors.New("that is not the word; nothing was written"))
		}
		return line, nil
	}
	w.Answerf(" To do it, type:\n\n  %s\n", w.commandLine("--confirm", text))
	return "", nil
}

// commandLine is the command as it was typed, for this very card, with one
// flag more.
func (w *cardWork) commandLine(flag, value string) string {
	line := w.typed()
	if os.Getenv("SUDO_UID") != "" {
		line = "sudo " + line
	}
	return line + " " + flag + " " + words.Shell(value)
}

// asRoot is the command with the rights that it lacks. The word was for
// somebody else's look, or there was none yet.
func (w *cardWork) asRoot() string { return "sudo " + w.typed() }

// typed is the command as it was typed, for this very card.
func (w *cardWork) typed() string {
	var typed []string
	for _, a := range os.Args {
		if a == "next" {
			a = w.path
		}
		typed = append(typed, words.Shell(a))
	}
	return strings.Join(typed, " ")
}

// cautions shows the usual ones.
func (w *cardWork) cautions() {
	w.Answerf("\nBefore you go on\n")
	w.Wrapped("  - ", "Is it the right card? Read its size and name above once more, and pull every disk that is not needed.")
	w.Wrapped("  - ", "Keep the old drive as it is, and write only while you can leave the card in its reader.")
	w.Wrapped("  - ", "Inside the device: mains and battery voltages, charged capacitors, static discharge and hot tools can hurt you and it. Unplug it, take out the battery, follow your local rules, and leave to licensed people what is theirs. More in SAFETY.md.")
}

// cardLines says which card it is and what it holds.
func (w *cardWork) cardLines() {
	f := w.facts
	w.Answerf("The card\n")
	name := w.path
	if f.Node != "" && f.Node != w.path {
		name += " (" + f.Node + ")"
	}
	text := name + ": " + page.IdentityText(f.Identity)
	if f.Speed != "" {
		text += ", " + f.Speed + " Mbit/s"
	}
	if f.Identity.Removable {
		text += ", removable"
	}
	if f.CID != "" {
		text += ", CID " + f.CID
	}
	w.Wrapped("  ", text+"; "+disk.SizeText(f.Sectors, f.SectorSize))
	if f.Blind {
		w.Wrapped("  ", "Not every program that runs could be looked at; with sudo they can, and the guards see more.")
	}
	for i, l := range w.held.Lines {
		prefix := "                "
		if i == 0 {
			prefix = "  It holds now: "
		}
		w.Wrapped(prefix, l)
	}
}

// bars shows how far each stage has come.
func (w *cardWork) stageBars() (progress func(stage safety.Stage, done, total int64), finish func()) {
	var current safety.Stage
	move, end := func(int64, int64) {}, func() {}
	return func(stage safety.Stage, done, total int64) {
		if stage != current {
			end()
			current = stage
			move, end = w.Bar(string(stage))
		}
		move(done, total)
	}, func() { end() }
}

// stopped gives work that did not come to its end its exit code, and says how
// to go on.
func (w *cardWork) stopped(err error) error {
	var stop *safety.Stopped
	var no safety.Refusals
	switch {
	case err == nil || !errors.As(err, &stop):
		return err
	case stop.Touched:
		next := "look at the card and its reader first"
		if stop.Gone() {
			next = "put the card back in, see which name it has now"
		}
		return talk.Coded(talk.ExitFenced, fmt.Errorf("%w\nThe receipt %s says how far it came. Nothing else was touched. To go on %s, then type the same command without --confirm: it is rehearsed again and gives a new word", err, w.req.Receipt, next))
	case errors.As(err, &no):
		return w.refused(no)
	case errors.Is(err, context.Canceled):
		return talk.Coded(talk.ExitStopped, err)
	}
	var one *safety.Refusal
	if errors.As(err, &one) {
		return talk.Coded(talk.ExitRefused, err)
	}
	return err
}

// readSpeed reads a little from the middle of the card and returns bytes a
// second; 0 if that cannot be told.
func readSpeed(src image.Source) float64 {
	const part, parts = 1 << 20, 8
	n := int64(src.SectorSize())
	at := src.Size() / 2 / n * n
	if at+part*parts > src.Size() {
		return 0
	}
	buf := make([]byte, part)
	began := time.Now()
	for i := range int64(parts) {
		if image.ReadFull(src, buf, at+i*part) != nil {
			return 0
		}
	}
	return part * parts / max(time.Since(began).Seconds(), 1e-6)
}
