// Package device is the conversation about a drive that is read and a card that
// is written: which one it is and what it holds, what would happen, the word for
// it, and how to go on.
//
//	TARGET -> card held -> rehearsal -> word -> write, undo, test -> answer, card let go
//
// What may be done at all is for safety to say; here it is asked and told.
package device

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/page"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/plan/starts"
	"bootgraft/safety"
	"bootgraft/safety/blockdev"
	"bootgraft/safety/held"
	"bootgraft/safety/receipt"
)

// work is work on a card: it is rehearsed, and done only with the word
// that the rehearsal gave.
type work struct {
	*talk.UI
	flags  Flags
	path   string // the TARGET as it was given
	target *blockdev.Target
	facts  blockdev.Facts
	held   *held.Card // what the card holds now
	looked *safety.Looked
	req    safety.Request
	loses  bool // what the card holds is not kept
	waited bool // the card was waited for, and is held since it came

	start *starts.Report // what stops the planned card from starting; nil if that was not asked

	finish func()                                            // ends the bars
	show   func(r *safety.Rehearsal)                         // what would be done, for a person
	do     func(ctx context.Context, p *safety.Permit) error // does it, and tells
}

// run rehearses the work, and does it if the word is given.
func (w *work) run(ctx context.Context) error {
	w.req.Program = w.flags.Program
	w.req.Looked, w.req.AsRoot = w.looked, w.asRoot()
	r, err := safety.Rehearse(w.target, w.req)
	if err != nil {
		var no *safety.Refusal
		if errors.As(err, &no) {
			return talk.Coded(talk.ExitRefused, err)
		}
		return openError(w.path, err)
	}
	w.facts = r.Facts
	refusals := r.Refusals
	if w.loses && len(refusals) == 0 {
		w.leaveOutWhatStays()
		if no := w.keptElsewhere(); no != nil {
			refusals = append(refusals, no)
		}
		refusals = append(refusals, w.lossRefusals()...)
		if _, err := r.Permit(w.flags.Confirm); w.flags.Confirm != "" && err != nil {
			refusals = append(refusals, asRefusals(err)...) // why it is asked again
		}
	}
	if len(refusals) > 0 {
		return w.refused(refusals)
	}
	word := w.flags.Confirm
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
func (w *work) leaveOutWhatStays() {
	if w.looked == nil {
		return
	}
	stays := w.held.Known
	for _, p := range w.req.Pieces {
		if p.Op == layout.Leave {
			stays = stays.Union(disk.NewSpans(p.Span))
		}
	}
	if mark, ok := receipt.MarkSpan(w.target); ok { // of a write that stopped: nobody's content
		stays = stays.Union(disk.NewSpans(mark))
	}
	w.held.Other.Sectors, w.held.Other.First = w.looked.Used(stays, w.req.Card)
}

// keptElsewhere asks about a card that bears the mark of another write, which did not come to
// its end: what the card held then may be kept in the receipt of that write alone, and whatever
// is written now takes away the mark by which that receipt knows the card. Nil: nothing to ask.
func (w *work) keptElsewhere() *safety.Refusal {
	mark, ok, err := receipt.MarkOf(w.target)
	if err != nil || !ok || slices.Contains(w.flags.Accept, disk.CardHoldsUnknown) {
		return nil
	}
	const why = "it bears the mark of another write that did not come to its end"
	lose := "; to lose it: --accept " + string(disk.CardHoldsUnknown)
	folder := filepath.Dir(w.req.Receipt)
	beside, _ := os.ReadDir(folder) // where none can be looked at, its owner is asked
	names := []string{w.req.Receipt}
	for _, e := range beside {
		if strings.HasSuffix(e.Name(), receiptSuffix) {
			names = append(names, filepath.Join(folder, e.Name()))
		}
	}
	for i, name := range names {
		r, err := receipt.Read(name)
		if err != nil || r.Mark != mark {
			continue
		}
		if i == 0 || !r.Suffices() || r.KeptBlank() {
			return nil
		}
		return &safety.Refusal{Code: disk.CardHoldsUnknown, Path: w.path,
			Why: why + ", and " + name + " alone can bring back what it held before",
			Do:  "to have it back first: " + w.undoCommand(name) + lose}
	}
	return &safety.Refusal{Code: disk.CardHoldsUnknown, Path: w.path,
		Why: why + ", and what it held before may be kept in the receipt of that write alone, which does not lie here",
		Do:  "look for the receipt, and undo that write first" + lose}
}

// lossRefusals are none of the guards: what they protect is known to its owner
// alone.
func (w *work) lossRefusals() (out safety.Refusals) {
	keep := "to keep everything that is replaced, in the receipt, add --keep all"
	if w.req.Kind == receipt.Undo { // it makes no receipt
		keep = "to keep it, read the card into an image first: " +
			words.AsRoot("bootgraft capture "+words.Shell(w.path)+" card-later.img")
	}
	ask := func(holds bool, code disk.Code, what string) {
		if holds && !slices.Contains(w.flags.Accept, code) {
			out = append(out, &safety.Refusal{Code: code, Path: w.path, Why: what,
				Do: keep + "; to lose it: --accept " + string(code)})
		}
	}
	files := "volumes whose files cannot be listed here"
	if w.held.Files > 0 {
		files = disk.Counted(w.held.Files, "file")
	}
	ask(w.held.HoldsFiles(), disk.CardHoldsFiles, fmt.Sprintf("it holds %s (%s), and they would be lost", files,
		strings.Join(w.held.Lines, "; ")))
	ask(w.held.HoldsUnknown(), disk.CardHoldsUnknown, fmt.Sprintf("it holds what is not known here (%s), and that "+
		"would be lost", w.held.UnknownText()))
	return out
}

// asRefusals returns what Permit says no with: it fails with nothing else.
func asRefusals(err error) (all safety.Refusals) {
	errors.As(err, &all)
	return all
}

func (w *work) document() *document.Rehearsal {
	toWrite := disk.Sector(0)
	for _, p := range w.req.Pieces {
		if p.Op != layout.Leave {
			toWrite += p.Count
		}
	}
	d := document.NewRehearsal(w.path, w.req.Receipt, w.held.Lines, w.held.Files, toWrite)
	if w.start != nil {
		answer := document.NewStartsAnswer(w.start)
		d.Starts = &answer
	}
	return d
}

// refused tells every reason against the work.
func (w *work) refused(all safety.Refusals) error {
	j := w.document()
	j.Refuse(all)
	w.Document(j)
	return talk.Coded(talk.ExitRefused, &refusedError{w.path, all})
}

// refusedError says why work on a card is refused.
type refusedError struct {
	path string
	all  safety.Refusals
}

func (e *refusedError) Error() string {
	var b strings.Builder
	fmt.Fprintf(&b, "refusing to write to %s; nothing was written.\n", e.path)
	for _, r := range e.all {
		b.WriteString(words.Fold("  ", string(r.Code)+": "+r.Why))
		b.WriteString(words.Fold("    ", "To do: "+r.Do))
	}
	return b.String()
}

// rehearsed ends a rehearsal: with the line to type, or, for a card that was
// waited for and is held since it came, with the question for the word.
func (w *work) rehearsed(r *safety.Rehearsal) (word string, err error) {
	text := r.Word.String()
	j := w.document()
	j.Confirm = &text
	w.Document(j)
	w.show(r)
	if c := r.Unstable; c.Sectors > 0 {
		w.Wrapped("  Look out: ", fmt.Sprintf(
			"it answers differently from one time to the next: %s that were read twice, the first is sector %s. "+
				"It can be tested all the same, but what is read of it, and put back, may be wrong.",
			disk.Counted(c.Sectors, "sector"), disk.Grouped(c.First)))
	}
	w.cautions()
	w.Answerf("\nNOTHING HAS BEEN WRITTEN YET.")
	if w.waited && w.Asks && !w.JSON {
		w.Answerf(" The card is held for you since it came.\nTo do it type this word; anything else ends here:\n\n  %s\n\n> ",
			text)
		line, _ := bufio.NewReader(w.In).ReadString('\n') // no answer is an answer: no
		if line = strings.TrimSpace(line); line != text {
			return "", talk.Coded(talk.ExitRefused, errors.New("that is not the word; nothing was written"))
		}
		return line, nil
	}
	w.Answerf(" To do it, type:\n\n  %s\n", w.commandLine("--confirm", text))
	return "", nil
}

// cautions shows the usual ones.
func (w *work) cautions() {
	w.Answerf("\nBefore you go on\n")
	for _, s := range page.WriteCautions {
		w.Wrapped("  - ", s)
	}
}

// stopped gives work that did not come to its end its exit code, and says how
// to go on.
func (w *work) stopped(err error) error {
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
		return talk.Coded(talk.ExitFenced, fmt.Errorf(
			"%w\nThe receipt %s says how far it came. Nothing else was touched. To go on %s, "+
				"then type the same command without --confirm: it is rehearsed again and gives a new word",
			err, w.req.Receipt, next))
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
