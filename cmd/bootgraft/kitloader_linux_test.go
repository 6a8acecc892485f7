package main

import (
	"encoding/json"
	"fmt"
	"os/exec"
	"slices"
	"strings"
	"testing"

	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image/imagetest/loaders"
	"bootgraft/image/imagetest/machine"
	"bootgraft/image/imagetest/need"
	"bootgraft/layout/plan/starts"
)

// TestKitWithLoader: a kit that holds what boot code names by its sectors makes a card
// with an empty volume that has it in its place, with its directory entry; what a loader
// opens by name is gone, and that is said. The loader that knows sectors alone starts in
// a virtual machine; of SYSLINUX ldlinux.sys arrives, and its menu does not.
func TestKitWithLoader(t *testing.T) {
	t.Parallel()
	need.Tool(t, "fsck.fat")
	for name, starting := range map[string]bool{"map file, le32": true, "syslinux, fat16": false, "syslinux, fat32": false} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			all := loaders.Installs()
			i := all[slices.IndexFunc(all, func(i loaders.Install) bool { return i.Name == name })]
			p := newPlayer(t)
			old := i.Make(t, loaders.FilesFirst, false)
			size := fmt.Sprintf("%ds", larger(i))

			said, _ := p.types(talk.ExitDone, "kit", "make", old, "-o", "plain.kit")
			p.says(said, "loader-not-in-kit")
			_, said = p.types(talk.ExitRefused, "plan", "plain.kit", "--size", size, "--empty-volume", "1", "-o", "p")
			p.saysAll(said, "linked-file-gone", "will not start", "by its name")
			said, _ = p.types(talk.ExitDone, "kit", "show", "plain.kit")
			p.saysAll(said, "will not start", "names the place of a file", "opens by name is gone")
			_, said = p.types(talk.ExitRefused, "plan", old, "--size", size, "--empty-volume", "1", "-o", "p")
			p.saysAll(said, "linked-file-gone", "will not start", "by its name")

			said, _ = p.types(talk.ExitDone, "kit", "make", old, "-o", "loader.kit", "--with-loader")
			p.says(said, "loader-in-kit")
			p.types(talk.ExitDone, "plan", "loader.kit", "--size", size, "--empty-volume", "1", "-o", "p")
			if answer := p.predicts(scene{Install: i, shape: shape{name: "of a kit"}}); answer != starts.CannotKnow {
				t.Errorf("starts says %s", answer)
			}
			p.types(talk.ExitDone, "write", "p", "card.img")
			p.holdsLinked(old, i)
			if !starting {
				return
			}
			m := i.Machine(machine.SeaBIOS, larger(i))
			heard, ok := m.Starts(t, machine.Line(t, p.path("card.img")), i.Mark())
			if !ok { // a failure counts after a second run
				heard, ok = m.Starts(t, machine.Line(t, p.path("card.img")), i.Mark())
			}
			if !ok {
				t.Errorf("the card does not start: it says %q", heard)
			}
		})
	}
}

// saysAll wants words in a text, wherever its lines end.
func (p *player) saysAll(text string, words ...string) {
	p.t.Helper()
	for _, w := range words {
		p.says(strings.Join(strings.Fields(text), " "), w)
	}
}

// holdsLinked wants the volume of the card sound, and in it some files of the old one,
// byte for byte, and no other.
func (p *player) holdsLinked(old string, i loaders.Install) {
	p.t.Helper()
	list := func(path string) map[string]string {
		said, _ := p.types(talk.ExitDone, "files", path, "--json")
		var d document.Files
		if err := json.Unmarshal([]byte(said), &d); err != nil {
			p.t.Fatal(err)
		}
		out := map[string]string{}
		for _, f := range d.Files {
			out[strings.ToUpper(f.Path[strings.LastIndexByte(f.Path, '/')+1:])] = f.SHA256
		}
		return out
	}
	before, now := list(old), list("card.img")
	if len(now) == 0 || len(now) >= len(before) {
		p.t.Errorf("the card has %v of %v", now, before)
	}
	for name, sum := range now {
		if before[name] != sum {
			p.t.Errorf("%s is another file on the card", name)
		}
	}
	p.types(talk.ExitDone, "files", "card.img", "--to", "out")
	volume := p.path("volume")
	if out, err := exec.Command("dd", "if="+p.path("card.img"), "of="+volume, "bs=512", fmt.Sprint("skip=", i.Start), "status=none").CombinedOutput(); err != nil {
		p.t.Fatalf("%v: %s", err, out)
	}
	if out, err := exec.Command(need.Tool(p.t, "fsck.fat"), "-n", volume).CombinedOutput(); err != nil {
		p.t.Errorf("fsck.fat: %v\n%s", err, out)
	}
}
