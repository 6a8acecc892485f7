package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"slices"

	"github.com/spf13/cobra"

	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/input"
	"bootgraft/cmd/bootgraft/page"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/nbd"
	"bootgraft/layout"
	"bootgraft/layout/plan/card"
	"bootgraft/layout/scan"
	"bootgraft/layout/scan/owners"
	"bootgraft/safety"
	"bootgraft/safety/newfile"
)

const serveHelp = `Shows a planned card, before it exists, or an image, to other programs as a block
device: by the protocol of network block devices, on a socket of your own or on
this machine's loopback address. A virtual machine can be started from it; the line
is printed. When it ends, with Ctrl-C or with --once, it tells what was read, in
order, and by owner: how far the start of the machine came, and on which sectors of
the card it never looked.

A machine in a program is not the device: that it starts there proves that boot
code finds its sectors, and that it stops there shows at which of them.

Of a card that was planned with --device-sees it shows what the device sees.

Nothing can be written to it. With --scratch what is written stays in memory, at
most 256 MiB, and is thrown away.

Examples:

  bootgraft serve card.plan
  bootgraft serve card.plan --scratch --trace reads.txt
  bootgraft serve old.img --port 10809`

// mostVisits bounds what is told in a trace, or as JSON.
const mostVisits = 1 << 20

// mostScratch bounds what is written to a disk that is shown, in bytes.
const mostScratch = 256 << 20

type serveFlags struct {
	source        input.PlanSourceFlags
	sectorSize    int
	socket, trace string
	port          int
	scratch, once bool
}

func serveCommand(u *talk.UI) *cobra.Command {
	f := &serveFlags{}
	f.source.Captured = true
	c := &cobra.Command{
		Use:   "serve PLAN | serve SOURCE",
		Short: "show a planned card to other programs, such as a virtual machine",
		Long:  serveHelp,
		Args:  cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			return f.run(c.Context(), u, args[0], c.Flags().Changed("port"))
		},
	}
	f.source.Add(c)
	f.source.Bar = u.Bar
	fl := c.Flags()
	input.SectorSizeFlag(c, &f.sectorSize)
	fl.StringVar(&f.socket, "socket", "", "the name of the socket, instead of one in a folder of its own")
	fl.IntVar(&f.port, "port", 0, "a port of the loopback address instead of a socket; 0 is any that is free. Every user "+
		"of this machine can reach it")
	fl.BoolVar(&f.scratch, "scratch", false, "let others write to it; it stays in memory and is thrown away")
	fl.BoolVar(&f.once, "once", false, "end when the last client has gone")
	fl.StringVar(&f.trace, "trace", "", "a new file for all that was read, in order: one JSON line a read, "+
		"{start,count,owner}")
	return c
}

// shown is a disk that can be shown.
type shown struct {
	image.Source
	known   image.Source // as far as its bytes have a meaning
	unknown disk.Spans   // who asks for one of these gets an error
	missing disk.Sector  // of a plan: its source does not know them, and they are zeros on the card
	card    disk.Sector  // sectors of the whole card, where its device sees fewer; else 0
	files   []os.FileInfo
	close   func()
}

// owners says whose the sectors of the disk are.
func (d *shown) owners(ctx context.Context) (*owners.Owners, error) {
	s, err := scan.Run(ctx, d.known, scan.Options{})
	if err != nil {
		return nil, err
	}
	return owners.Of(ctx, d.known, s)
}

func (f *serveFlags) open(u *talk.UI, path string) (*shown, error) {
	if input.IsPlanFile(path) {
		job, err := input.OpenJob(path, f.source)
		if err != nil {
			return nil, err
		}
		job.Src.SayDamage(u)
		return showPlanned(job)
	}
	if f.source.Source != "" {
		return nil, talk.Usagef("--source goes with a plan, and %s is none", path)
	}
	src, err := input.OpenSource(path, f.source.With(f.sectorSize))
	if err != nil {
		return nil, err
	}
	src.SayDamage(u)
	return &shown{Source: src, known: src, unknown: image.Unknown(src, image.Whole(src)), files: src.Files,
		close: func() { src.Close() }}, nil
}

// showPlanned shows of a planned card what its device sees.
func showPlanned(job *input.Job) (*shown, error) {
	p := job.Plan.Seen()
	c, err := card.New(p, job.Src)
	if err != nil {
		job.Close()
		return nil, err
	}
	d := &shown{Source: c, known: c.Known(), files: job.Files, close: job.Close,
		missing: layout.Missing(p.Pieces).Sectors()}
	if p.Target != job.Plan.Target {
		d.card = job.Plan.Target.Sectors
	}
	return d, nil
}

// check finds what cannot be meant before anything is opened.
func (f *serveFlags) check(port bool) error {
	switch {
	case port && f.socket != "":
		return talk.Usagef("--socket and --port exclude each other")
	case f.port < 0 || f.port > 65535:
		return talk.Usagef("--port %d is no port: 1 to 65535, or 0 for any", f.port)
	case slices.Contains(f.source.Accept, disk.LiveSource):
		// Also a healthy drive: a machine reads the same sectors again and again.
		return talk.Refusef("a drive itself is not shown to others, nor a card planned from it: capture it " +
			"first: bootgraft " +
			"capture DISK old.img")
	}
	return nil
}

func (f *serveFlags) run(ctx context.Context, u *talk.UI, path string, port bool) error {
	if err := f.check(port); err != nil {
		return err
	}
	d, err := f.open(u, path)
	if err != nil {
		return err
	}
	defer d.close()
	trace := safety.Output{Path: f.trace, Kind: safety.TraceFile, Avoid: d.files}
	if f.trace != "" {
		if err := trace.Check(); err != nil {
			return input.TargetError(err)
		}
	}
	who, err := d.owners(ctx)
	if err != nil {
		return err
	}
	l, address, clean, err := f.listen(port)
	if err != nil {
		return talk.Coded(talk.ExitRefused, err)
	}
	defer clean()
	size := document.Size{Sectors: image.Sectors(d), SectorSize: d.SectorSize()}
	page.Serving(u, page.Shown{Sectors: size.Sectors, SectorSize: size.SectorSize, Card: d.card,
		Unknown: d.unknown, Missing: d.missing, Scratch: f.scratch}, address)
	if err := u.Lost(); err != nil {
		l.Close()
		return err
	}
	opt := nbd.Options{Once: f.once}
	if f.scratch {
		opt.Scratch = mostScratch
	}
	r, err := nbd.Show(ctx, l, d, opt)
	if err != nil {
		return err
	}
	story, more := who.Story(r.Runs, mostVisits)
	u.Document(document.NewServe(address.String(), size, d.card, d.missing, r, story, more, who.Never(r.Runs)))
	page.Served(u, r, who)
	if f.trace != "" {
		if err := trace.Write(func(w io.Writer) error { return document.WriteTrace(w, r.Runs, who) }); err != nil {
			return input.TargetError(err)
		}
	}
	return serveEnd(path, r)
}

// serveEnd says how the program ends.
func serveEnd(path string, r nbd.Report) error {
	if len(r.Failed) == 0 {
		return nil
	}
	return fmt.Errorf("%s could not be read in %s, the first of which is %s: "+
		"what a machine did after that says nothing of the card",
		path, disk.Counted(r.Failed.Sectors(), "sector"), disk.Grouped(r.Failed[0].Start))
}

// listen opens what clients come to. clean takes away what it lies in.
func (f *serveFlags) listen(port bool) (l net.Listener, address *url.URL, clean func(), err error) {
	clean = func() {}
	if port {
		if l, address, err = nbd.ListenPort(f.port); err != nil {
			err = fmt.Errorf("%w; give another --port", err)
		}
		return l, address, clean, err
	}
	path := f.socket
	if path == "" {
		dir, err := newfile.TempFolder("bootgraft-")
		if err != nil {
			return nil, nil, clean, fmt.Errorf("the folder of the socket cannot be made: %w; "+
				"set TMPDIR to a folder that is there, or give a name with --socket", err)
		}
		clean = func() { os.RemoveAll(dir) }
		path = filepath.Join(dir, "card")
	}
	if l, address, err = nbd.ListenSocket(path); err == nil {
		return l, address, clean, nil
	}
	clean()
	hint := "give another name with --socket"
	var no *nbd.SocketError
	switch {
	case !errors.As(err, &no):
	case no.Long:
		hint = "the name of a socket has at most about 100 bytes; give a shorter one with --socket"
	case no.Dead:
		hint = "nobody listens there any more: delete it, or " + hint
	}
	return nil, nil, func() {}, fmt.Errorf("%w; %s", err, hint)
}
