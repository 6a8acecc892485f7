package main

import (
	"bootgraft/layout"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"

	"github.com/spf13/cobra"
	"golang.org/x/text/encoding/charmap"

	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/input"
	"bootgraft/cmd/bootgraft/page"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout/scan"
	"bootgraft/layout/scan/files"
	"bootgraft/layout/scan/second"
	"bootgraft/safety"
)

const filesHelp = `Lists the files of the FAT and ext volumes of a drive, or of a planned card
that does not exist yet, with their sizes and SHA-256. So you see before you
write that every file will arrive whole.

Of a file that is not whole it says which bytes are missing, and of WAV and MPEG
audio which seconds are lost. With --to such files are left out, unless you ask
for them with zeros in the holes, and DAMAGED.txt names them all.

Examples:

  bootgraft files old.img
  bootgraft files --plan card.plan
  bootgraft files old.img --to rescued
  bootgraft files old.img --to rescued --damaged zero`

type filesFlags struct {
	plan, to      string
	damaged       string
	source        input.PlanSourceFlags
	codepage      int
	noHash, brief bool
	second        bool
	sectorSize    int
}

// damages is what becomes of files that are not whole.
var damages = input.Choices{Flag: "damaged", Words: []string{"skip", "zero"}}

func filesCommand(u *talk.UI) *cobra.Command {
	var f filesFlags
	c := &cobra.Command{
		Use:   "files SOURCE | files --plan PLAN",
		Short: "list the files of a drive or of a planned card",
		Long:  filesHelp,
		Args:  cobra.MaximumNArgs(1),
		RunE:  func(c *cobra.Command, args []string) error { return f.run(c, u, args) },
	}
	c.Flags().StringVar(&f.plan, "plan", "", "list the files of the card that this plan describes")
	f.source.Add(c)
	f.source.Bar = u.Bar
	c.Flags().StringVar(&f.to, "to", "", "copy the files into this folder, which must be new or empty")
	damages.Add(c, &f.damaged, "skip", "with --to: files that are not whole are left out (skip), or copied with zeros in the holes (zero)")
	c.Flags().IntVar(&f.codepage, "codepage", 437, "codepage of short FAT names: 437, 850, 852, 855, 858, 860, 862, 863, 865, 866 or 1252")
	c.Flags().BoolVar(&f.noHash, "no-hash", false, "do not read the files: list them without SHA-256 and times")
	c.Flags().BoolVar(&f.brief, "brief", false, "name only the files that are not whole")
	c.Flags().BoolVar(&f.second, "second-reader", false, "also ask an independent reader whether it sees the same table and names; always asked about a planned card")
	c.Flags().IntVar(&f.sectorSize, "sector-size", 512, "logical sector size of an image file in bytes: 512, 1024, 2048 or 4096")
	return c
}

// codepages are those of FAT short names that are known here.
var codepages = map[int]*charmap.Charmap{
	437: charmap.CodePage437, 850: charmap.CodePage850, 852: charmap.CodePage852, 855: charmap.CodePage855,
	858: charmap.CodePage858, 860: charmap.CodePage860, 862: charmap.CodePage862, 863: charmap.CodePage863,
	865: charmap.CodePage865, 866: charmap.CodePage866, 1252: charmap.Windows1252,
}

func (f *filesFlags) run(c *cobra.Command, u *talk.UI, args []string) error {
	page := codepages[f.codepage]
	switch {
	case page == nil:
		return talk.Usagef("codepage %d is not known here; see bootgraft files --help", f.codepage)
	case (f.plan == "") == (len(args) == 0):
		return talk.Usagef("give either a SOURCE or --plan PLAN")
	case f.plan == "" && f.source.Source != "":
		return talk.Usagef("--source goes with --plan")
	case damages.Check(f.damaged) != nil:
		return damages.Check(f.damaged)
	case f.damaged == "zero" && f.to == "":
		return talk.Usagef("--damaged zero goes with --to")
	}
	src, name, closeSource, err := f.open(args)
	if err != nil {
		return refusedSource(u, err)
	}
	defer closeSource()
	if o, ok := src.(*input.Source); ok {
		o.SayDamage(u)
	}
	s, err := scan.Run(c.Context(), src, scan.Options{})
	if err != nil {
		return err
	}
	l := &lister{ui: u, flags: f, src: src}
	if f.to != "" {
		if l.out, err = input.NewFolder(f.to); err != nil {
			return err
		}
		defer l.out.Close()
	}
	progress, finish := u.Bar("reading files")
	l.progress, l.total = progress, usedBytes(s)
	listing, err := files.Walk(c.Context(), src, s, files.Options{CodePage: page}, l.visit)
	finish()
	l.findings, l.incomplete = listing.Findings, listing.Incomplete
	if err != nil {
		return err
	}
	if o, ok := src.(*input.Source); ok {
		l.findings = append(l.findings, o.Findings...)
	}
	if f.second || f.plan != "" {
		if l.second, err = second.Ask(c.Context(), src, s, second.Options{}); err != nil {
			return err
		}
	}
	return l.Finish(name, s)
}

// open opens the source, or the planned card.
func (f *filesFlags) open(args []string) (image.Source, string, func(), error) {
	if f.plan == "" {
		src, err := input.OpenSource(args[0], input.SourceFlags{
			SectorSize: f.sectorSize, Record: f.source.Record, Accept: f.source.Accept, Shows: true, Command: f.source.Command, Bar: f.source.Bar,
		})
		if err != nil {
			return nil, "", nil, err
		}
		return src, args[0], func() { src.Close() }, nil
	}
	if _, err := os.Stat(f.plan); err == nil && safety.OwnKind(f.plan) == "" {
		return nil, "", nil, talk.Usagef("%s is no plan. The files of a drive: bootgraft files %s", f.plan, words.Shell(f.plan))
	}
	j, err := input.OpenJob(f.plan, f.source)
	if err != nil {
		return nil, "", nil, err
	}
	return j.Card.Known(), "the card planned in " + f.plan, j.Close, nil
}

func usedBytes(s *layout.Map) int64 {
	var n int64
	for _, v := range s.Volumes {
		n += max(v.UsedBytes, 0)
	}
	return n
}

// fileJSON is one regular file. A file with missing bytes has no SHA-256.
type fileJSON struct {
	Path      string `json:"path"`
	Volume    int    `json:"volume"`
	Size      int64  `json:"size"`
	SHA256    string `json:"sha256"`
	Missing   []hole `json:"missing"`
	Recording string `json:"recording,omitempty"` // of a damaged file: wav or mpeg, if its times are known
	Written   string `json:"written,omitempty"`   // its name in the folder of --to
	Fault     string `json:"fault,omitempty"`
}

func (f *fileJSON) whole() bool { return len(f.Missing) == 0 && f.Fault == "" }

// lister gathers the files of a disk, hashes them and copies them out.
type lister struct {
	ui         *talk.UI
	flags      *filesFlags
	src        image.Source
	out        *input.Folder
	files      []fileJSON
	findings   []disk.Finding
	incomplete bool // there may be files that nobody could list
	second     []second.Opinion
	bytes      int64
	written    int // copied into out
	damaged    int
	zeroed     int // of these, how many were copied with zeros in the holes
	progress   func(done, total int64)
	done       int64
	total      int64
}

func (l *lister) visit(f *files.File) error {
	j := fileJSON{Path: f.Path, Volume: f.Volume, Size: f.Size, Missing: []hole{}}
	l.bytes += f.Size
	if f.Fault != nil {
		j.Fault = f.Fault.Error()
	}
	j.lost(f, !l.flags.noHash)
	var err error
	switch {
	case !j.whole():
		l.damaged++
		if l.flags.damaged == "zero" && f.Fault == nil {
			l.zeroed++
			err = l.copy(f, &j, f.Zeroed())
		}
	case l.out != nil:
		err = l.copy(f, &j, f.Reader())
	case !l.flags.noHash:
		err = l.hash(f, &j, f.Reader(), io.Discard)
	}
	l.files = append(l.files, j)
	return err
}

// copy copies a file out and hashes it on the way.
func (l *lister) copy(f *files.File, j *fileJSON, from io.Reader) error {
	dst, err := l.out.Create(f)
	if err != nil {
		return err
	}
	defer dst.Abandon()
	if err := l.hash(f, j, from, dst); err != nil {
		return err
	}
	j.Written = dst.Name
	l.written++
	return dst.Finish(f.Modified)
}

// hash hashes what it hands on. Bytes that stand for missing ones have no
// SHA-256.
func (l *lister) hash(f *files.File, j *fileJSON, from io.Reader, to io.Writer) error {
	h := sha256.New()
	if _, err := io.CopyBuffer(io.MultiWriter(h, to), l.counted(from), make([]byte, 1<<20)); err != nil {
		return fmt.Errorf("%s: %w", f.Path, err)
	}
	if j.whole() {
		j.SHA256 = hex.EncodeToString(h.Sum(nil))
	}
	return nil
}

// counted counts the bytes that are read for the bar.
func (l *lister) counted(r io.Reader) io.Reader {
	return readerFunc(func(p []byte) (int, error) {
		n, err := r.Read(p)
		l.done += int64(n)
		l.progress(min(l.done, l.total), l.total)
		return n, err
	})
}

type readerFunc func([]byte) (int, error)

func (r readerFunc) Read(p []byte) (int, error) { return r(p) }

type filesJSON struct {
	Schema   int            `json:"schema"`
	Files    []fileJSON     `json:"files"`
	Findings []disk.Finding `json:"findings"`
}

// finish writes the answer: a summary, then the files.
func (l *lister) Finish(name string, s *layout.Map) error {
	u := l.ui
	findings := append(append([]disk.Finding{}, l.findings...), second.Findings(l.second)...)
	if err := l.damageList(name); err != nil {
		return err
	}
	if l.out != nil {
		if err := l.out.Flush(); err != nil {
			return fmt.Errorf("flushing the files in %s: %w", l.out.Dir, err)
		}
	}
	if err := u.Object(document.KindFiles, filesJSON{schema, append([]fileJSON{}, l.files...), findings}); err != nil {
		return err
	}
	u.Answerf("%s:\n%s, %s bytes, in %s that can be listed\n", name, disk.Counted(len(l.files), "file"), disk.Grouped(l.bytes), disk.Counted(len(files.Volumes(s)), "volume"))
	if l.damaged > 0 {
		u.Answerf("%s not whole.\n", notWhole(l.damaged))
	} else if len(l.files) > 0 && !l.incomplete {
		u.Answerf("Every one of them is whole.\n")
	}
	page.SecondReader(u, l.second)
	if l.out != nil {
		l.sayCopied()
		l.sayDamaged()
	}
	l.list()
	if worth := slices.Concat(l.findings, page.Differing(l.second)); len(worth) > 0 {
		page.Findings(u, worth)
	}
	switch {
	case l.damaged > 0:
		return talk.Coded(talk.ExitIncomplete, errors.New("some files are not whole"))
	case l.incomplete:
		return talk.Coded(talk.ExitIncomplete, errors.New("some directories could not be read: there may be more files"))
	case s.HidesVolumes:
		return talk.Coded(talk.ExitIncomplete, errors.New("sectors by which a volume is known are missing: there may be more files"))
	}
	return nil
}

// sayCopied says what was copied, and under which other names.
func (l *lister) sayCopied() {
	u := l.ui
	u.Answerf("%s copied to %s\n", disk.Counted(l.written, "file"), l.out.Dir)
	if len(l.out.Changed) > 0 {
		u.Answerf("%s not safe here, and changed:\n", disk.Counted(len(l.out.Changed), "name"))
		for _, c := range l.out.Changed {
			u.Answerf("  %s\n", c)
		}
	}
}

// list names every file, or with --brief those that are not whole.
func (l *lister) list() {
	heading := false
	for _, f := range l.files {
		if l.flags.brief && f.whole() {
			continue
		}
		if !heading {
			l.ui.Answerf("\n%15s  %-16s %s\n", "bytes", "SHA-256 begins", "volume:file")
			heading = true
		}
		l.ui.Answerf("%15s  %-16.16s %d:%s\n", disk.Grouped(f.Size), f.SHA256, f.Volume, words.Printable(f.Path))
		for _, line := range f.damage(mostHoles) {
			l.ui.Answerf("%15s  %s\n", "", line)
		}
	}
}
