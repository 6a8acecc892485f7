package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/input"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image/packed"
	"bootgraft/safety/notes"
)

const noteHelp = `Adds a line with the date to the notes of a drive, IMAGE.notes.txt beside its
image. The file is plain text with blanks to fill in: type in it what you like,
it stays as you leave it. Reports show it; a kit takes only what stands behind
Device and Drive.

With --in the line goes to another text of your own, such as a list of cards:
which card started which model. bootgraft card says model, size and CID.

Examples:

  bootgraft note old.img "clicks twice, then spins; 4.6 V at the plug"
  bootgraft note --in cards.txt "Songbird 4: KESTREL 8GB, 15523840s, starts"`

func noteCommand(u *talk.UI) *cobra.Command {
	var in string
	c := &cobra.Command{
		Use:   "note (IMAGE | --in FILE) TEXT",
		Short: "add a dated line to the notes of a drive, or to a list of your own",
		Long:  noteHelp,
		Args:  cobra.MinimumNArgs(1),
		RunE: func(_ *cobra.Command, args []string) error {
			if in != "" {
				return noteIn(u, in, strings.Join(args, " "))
			}
			if len(args) < 2 {
				return talk.Usagef("note wants the IMAGE and a text: bootgraft note old.img \"what you saw\"")
			}
			return noteBeside(u, args[0], strings.Join(args[1:], " "))
		},
	}
	c.Flags().StringVar(&in, "in", "", "add the line to this text of your own instead, and make it if there is none")
	return c
}

// noteBeside adds a line to the notes of an image.
func noteBeside(u *talk.UI, img, text string) error {
	if err := input.OtherThanDrive(img, "the image of a drive"); err != nil {
		return err
	}
	st, err := os.Stat(img)
	switch {
	case err != nil:
		return input.SourceError(img, err)
	case !st.Mode().IsRegular():
		return talk.Refusef("%s is no file, and notes lie beside the image of a drive: bootgraft note old.img "+
			"\"what you saw\"", img)
	}
	if err := input.OutsideArchives(img); err != nil {
		return err
	}
	path, line, err := notes.Add(img, text, time.Now())
	return noted(u, path, line, err)
}

// noteIn adds a line to a text of the owner's.
func noteIn(u *talk.UI, path, text string) error {
	if err := input.OwnText(path); err != nil {
		return err
	}
	line, err := notes.AddTo(path, text, time.Now())
	return noted(u, path, line, err)
}

func noted(u *talk.UI, path, line string, err error) error {
	if err != nil {
		return input.NotesError(path, err)
	}
	u.Document(document.NewNote(path, line))
	u.Answerf("%s\n%s\n", path, line)
	return nil
}

// makeNotes makes the notes beside a new image. A capture is no worse without them.
func makeNotes(u *talk.UI, img string) {
	path, made, err := notes.Make(img)
	switch {
	case err != nil:
		u.Sayf("warning: there are no notes beside %s: %v", img, input.NotesError(path, err))
	case made:
		u.Sayf("What you see and hear belongs into %s; bootgraft note %s \"...\" adds a line.", path, words.Shell(img))
	}
}

// notesFor returns the notes beside a source, nothing if there are none. What is no
// file of notes is said and left alone.
func notesFor(u *talk.UI, src *input.Source) []byte {
	if input.IsDevice(src.Path) {
		return nil
	}
	text, err := notes.Read(strings.TrimSuffix(src.Path, packed.Suffix))
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		u.Sayf("warning: %v", input.NotesError(src.Path+notes.Suffix, err))
	}
	return text
}

// kitNotes are the lines of the notes that a kit carries: they help others, and the
// rest is the owner's.
func kitNotes(u *talk.UI, src *input.Source, most int) (out []string) {
	for _, line := range notes.Answers(notesFor(u, src), "Device", "Drive") {
		line = words.Visible(line)
		if len(line) > most {
			u.Sayf("warning: a line of the notes has %d bytes, and a kit takes %d: it is left out: %s", len(line), most,
				fmt.Sprintf("%.40s...", line))
			continue
		}
		out = append(out, line)
	}
	return out
}
