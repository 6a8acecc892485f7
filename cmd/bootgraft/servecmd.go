package main

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"

	"github.com/spf13/cobra"

	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/input"
	"bootgraft/cmd/bootgraft/page"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/nbd"
	"bootgraft/layout"
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
	fl.IntVar(&f.sectorSize, "sector-size", 512, "logical sector size of an image file in bytes: 512, 1024, 2048 or 4096")
	fl.StringVar(&f.socket, "socket", "", "the name of the socket, instead of one in a folder of its own")
	fl.IntVar(&f.port, "port", 0, "a port of the loopback address instead of a socket; 0 is any that is free. Every user of this machine can reach it")
	fl.BoolVar(&f.scratch, "scratch", false, "let others write to it; it stays in memory and is thrown away")
	fl.BoolVar(&f.once, "once", false, "end when the last client has gone")
	fl.StringVar(&f.trace, "trace", "", "a new file for all that was read, in order: one JSON line a read, {start,count,owner}")
	return c
}

// shown is a disk that can be shown.
type shown struct {
	image.Source
	known   image.Source // as far as its bytes have a meaning
	unknown disk.Spans   // who asks for one of these gets an error
	missing disk.Sector  // of a plan: its source does not know them, and they are zeros on the card
	files   []os.FileInfo
	close   func()
}

func (f *serveFlags) open(u *talk.UI, path string) (*shown, error) {
	if input.IsPlanFile(path) {
		job, err := input.OpenJob(path, f.source)
		if err != nil {
			return nil, err
		}
		job.Src.SayDamage(u)
		d := &shown{Source: job.Card, known: job.Card.Known(), files: job.Files, close: job.Close}
		for _, q := range job.Plan.Pieces {
			if q.Why == layout.WhyMissing {
				d.missing += q.Count
			}
		}
		return d, nil
	}
	if f.source.Source != "" {
		return nil, talk.Usagef("--source goes with a plan, and %s is none", path)
	}
	src, err := input.OpenSource(path, input.SourceFlags{SectorSize: f.sectorSize, Record: f.source.Record, Command: f.source.Command})
	if err != nil {
		return nil, err
	}
	src.SayDamage(u)
	return &shown{Source: src, known: src, unknown: image.Unknown(src, image.Whole(src)), files: src.Files,
		close: func() { src.Close() }}, nil
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
		return talk.Refusef("a drive itself is not shown to others, nor a card planned from it: capture it first: bootgraft capture DISK old.img")
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
	s, err := scan.Run(ctx, d.known, scan.Options{})
	if err != nil {
		return err
	}
	who, err := owners.Of(ctx, d.known, s)
	if err != nil {
		return err
	}
	l, address, clean, err := f.listen(port)
	if err != nil {
		return talk.Coded(talk.ExitRefused, err)
	}
	defer clean()
	size := document.Size{Sectors: image.Sectors(d), SectorSize: d.SectorSize()}
	page.Serving(u, size.Sectors, size.SectorSize, d.unknown, d.missing, address, f.scratch)
	if err := u.Lost(); err != nil {
		l.Close()
		return err
	}
	r, err := f.serve(ctx, d, l)
	if err != nil {
		return err
	}
	story, more := who.Story(r.Runs, mostVisits)
	u.Document(document.NewServe(address.String(), size, d.missing, r, story, more, who.Never(r.Runs)))
	page.Served(u, r, who)
	if f.trace != "" {
		if err := trace.Write(func(w io.Writer) error { return writeTrace(w, r, who) }); err != nil {
			return input.TargetError(err)
		}
	}
	if len(r.Failed) > 0 {
		return fmt.Errorf("%s could not be read in %s, the first of which is %s: what a machine did after that says nothing of the card",
			path, disk.Counted(r.Failed.Sectors(), "sector"), disk.Grouped(r.Failed[0].Start))
	}
	return nil
}

// serve shows the disk until ctx ends, or with --once until nobody is there.
func (f *serveFlags) serve(ctx context.Context, d *shown, l net.Listener) (nbd.Report, error) {
	ctx, end := context.WithCancel(ctx)
	defer end()
	v := nbd.NewView(d)
	if f.scratch {
		v = nbd.NewScratchView(nbd.NewScratch(d, mostScratch))
	}
	server := &nbd.Server{View: v}
	if f.once {
		server.Gone = end
	}
	err := server.Serve(ctx, l)
	return v.Report(), err
}

// listen makes the socket. clean takes away what it lies in.
func (f *serveFlags) listen(port bool) (l net.Listener, address *url.URL, clean func(), err error) {
	clean = func() {}
	if port {
		if l, err = net.Listen("tcp", fmt.Sprintf("127.0.0.1:%d", f.port)); err != nil {
			return nil, nil, clean, fmt.Errorf("the loopback address cannot be listened on: %w; give another --port", err)
		}
		return l, &url.URL{Scheme: "nbd", Host: l.Addr().String()}, clean, nil
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
	if path, err = filepath.Abs(path); err == nil {
		l, err = nbd.Listen(path)
	}
	if err != nil {
		clean()
		hint := "give another name with --socket"
		if c, dead := net.Dial("unix", path); errors.Is(dead, syscall.ECONNREFUSED) {
			hint = "nobody listens there any more: delete it, or " + hint
		} else if dead == nil {
			c.Close()
		}
		if _, there := os.Lstat(path); there != nil && len(path) > 100 {
			hint = "the name of a socket has at most about 100 bytes; give a shorter one with --socket"
		}
		return nil, nil, clean, fmt.Errorf("the socket cannot be made: %w; %s", err, hint)
	}
	// Clients take a plus sign for itself, and slashes are easier to read.
	query := strings.NewReplacer("+", "%20", "%2F", "/").Replace(url.QueryEscape(path))
	return l, &url.URL{Scheme: "nbd+unix", Path: "/", RawQuery: "socket=" + query}, clean, nil
}

// writeTrace writes all that was read, in order, a line of JSON for each run.
func writeTrace(w io.Writer, r nbd.Report, who *owners.Owners) error {
	b := bufio.NewWriter(w)
	lines := json.NewEncoder(b)
	lines.SetEscapeHTML(false)
	if err := who.Each(r.Runs, func(s disk.Span, by owners.Owner) error {
		return lines.Encode(document.Access{Start: s.Start, Count: s.Count, Owner: by.Name})
	}); err != nil {
		return err
	}
	return b.Flush()
}
