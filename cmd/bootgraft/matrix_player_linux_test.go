package main

import (
	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest/machine"
	"bootgraft/image/imagetest/need"
	"bootgraft/layout/plan/starts"
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// player plans cards of old drives and starts them.
type player struct {
	*typist
	drives map[bool]string // the old drive, by whether its tables are roomy
}

func newPlayer(t *testing.T) *player {
	t.Helper()
	dir, err := os.MkdirTemp("", "bg") // the name of a socket is short
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	return &player{typist: &typist{t: t, bin: selfAs(t, "bootgraft"), dir: dir}, drives: map[bool]string{}}
}

// askedNothing stands for a card to which plan has no objection.
const askedNothing = "planned"

// plays plans one card and starts it, from an image and from what serve shows.
func (p *player) plays(s scene) outcome {
	p.t.Helper()
	roomy := s.shape.roomy
	if p.drives[roomy] == "" {
		p.drives[roomy] = s.Make(p.t, s.where, roomy)
	}
	o := outcome{seen: seenNoCard}
	planned := false
	if o.asked, planned = p.plansCard(s, p.drives[roomy]); !planned {
		return o
	}
	o.answer = p.predicts(s)
	p.types(talk.ExitDone, "write", "p", "card.img", "--replace")
	size, _ := s.shape.args(s.Install)
	m := s.Machine(s.firmware, size)
	written := func() (string, bool) { return m.Starts(p.t, machine.Line(p.t, p.path("card.img")), s.Mark()) }
	served := func() (string, bool) { return p.startsServed(m, s.Mark()) }
	heard, ok := written()
	heardServed, okServed := served()
	if ok != okServed { // a failure counts after a second run
		if !ok {
			heard, ok = written()
		} else {
			heardServed, okServed = served()
		}
	}
	if ok != okServed {
		p.t.Errorf("%s: the written card says %q, and the same plan, served, %q", s.name(), heard, heardServed)
	}
	if o.seen = seenStarts; !ok {
		o.seen = seenNot
		p.t.Logf("%s: it says %q", s.name(), heard)
	}
	return o
}

// plansCard plans a card, accepting what can be accepted, and returns what was said
// against it.
func (p *player) plansCard(s scene, old string) (asked string, planned bool) {
	p.t.Helper()
	size, args := s.shape.args(s.Install)
	args = append([]string{"plan", old, "--size", fmt.Sprintf("%ds", size), "-o", "p", "--replace", "--json"}, args...)
	codes := map[disk.Code]bool{}
	for {
		c := p.command(args...)
		out, _ := c.Output()
		switch code := c.ProcessState.ExitCode(); code {
		case talk.ExitDone:
			if len(codes) == 0 {
				return askedNothing, true
			}
			return "asks " + listed(codes), true
		case talk.ExitRefused:
		default:
			p.t.Fatalf("%v: exit %d\n%s", args, code, out)
		}
		var r document.Refused
		if err := json.Unmarshal(out, &r); err != nil {
			p.t.Fatalf("%v\n%s", err, out)
		}
		before := len(args)
		for _, f := range r.Need {
			if code := disk.Code(f.Code); !codes[code] {
				codes[code] = true
				args = append(args, "--accept", string(code))
			}
		}
		if len(args) == before {
			for _, f := range r.Why {
				codes[disk.Code(f.Code)] = true
			}
			return "refuses " + listed(codes), false
		}
	}
}

// predicts returns what starts says of the planned card.
func (p *player) predicts(s scene) starts.Answer {
	p.t.Helper()
	c := p.command("starts", "p", "--json")
	out, _ := c.Output()
	var d document.Starts
	if err := json.Unmarshal(out, &d); err != nil {
		p.t.Fatalf("%v\n%s", err, out)
	}
	want := talk.ExitDone
	if d.Answer == starts.WillNot {
		want = talk.ExitRefused
	}
	if code := c.ProcessState.ExitCode(); code != want {
		p.t.Errorf("starts says %s and ends with %d", d.Answer, code)
	}
	for _, w := range d.Ways {
		p.t.Logf("%s: %s %s: broken %q, cannot know %q", s.name(), w.Method, w.Answer, w.Broken, w.Cannot)
	}
	return d.Answer
}

func listed(set map[disk.Code]bool) string {
	var out []string
	for _, c := range slices.Sorted(maps.Keys(set)) {
		out = append(out, string(c))
	}
	return strings.Join(out, ", ")
}

// startsServed starts a machine by the line that serve prints.
func (p *player) startsServed(m machine.Machine, mark string) (heard string, ok bool) {
	p.t.Helper()
	c := p.command("serve", "p", "--once", "--socket", filepath.Join(p.dir, "s"))
	var errs bytes.Buffer
	c.Stderr = &errs
	out, err := c.StdoutPipe()
	if err != nil {
		p.t.Fatal(err)
	}
	need.Ends(p.t, c)
	in := bufio.NewScanner(out)
	line := ""
	for line == "" && in.Scan() {
		if text := strings.TrimSpace(in.Text()); strings.HasPrefix(text, "qemu-system-i386 ") {
			line = text
		}
	}
	if line == "" {
		p.t.Fatalf("serve prints no line: %s", errs.String())
	}
	heard, ok = m.Starts(p.t, line, mark)
	story := 0
	for in.Scan() {
		if strings.HasPrefix(in.Text(), "  sector") {
			story++
		}
	}
	if err := c.Wait(); err != nil {
		p.t.Errorf("serve: %v\n%s", err, errs.String())
	}
	if ok && story == 0 {
		p.t.Error("a machine started, and serve tells of no sector that it read")
	}
	return heard, ok
}
