package main

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"testing"

	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image/capture/rig"
)

// largeDrive makes a drive that is compared with itself in the middle of a run:
// that happens after 64 MiB.
func (y *typist) largeDrive(name string, seed byte) (content []byte) {
	y.t.Helper()
	content = make([]byte, 100<<20)
	rand.NewChaCha8([32]byte{seed}).Read(content)
	if err := os.WriteFile(y.path(name), content, 0o600); err != nil {
		y.t.Fatal(err)
	}
	return content
}

// TestADriveIsSwappedInMidRun: behind a reader that stays, another drive answers
// from some read on. The run ends and says so, nothing of the other drive stays in
// the image, and the first one is read to its end by the same command.
func TestADriveIsSwappedInMidRun(t *testing.T) {
	t.Parallel()
	drives := newTypist(t)
	content := drives.largeDrive("drive", 1)
	drives.largeDrive("other", 2)
	for _, after := range []int{30, 100, 170} { // at once, before the first comparison, in the last reads
		t.Run(fmt.Sprint(after), func(t *testing.T) {
			y := newTypist(t)
			command := func(r *rig.Rig) []string { return []string{"capture", r.Device, "old.img", "--looks", "1", "--json"} }

			swapped := rig.Start(t, drives.path("drive"), rig.Faults{SwapAfter: after, Other: drives.path("other")})
			out, said := y.types(talk.ExitStopped, command(swapped)...)
			if n := len(swapped.Log()); n <= after {
				t.Fatalf("it was read %d times: too few to be swapped", n)
			}
			y.says(said, "not the same drive any more")
			var got document.Capture
			if err := json.Unmarshal([]byte(out), &got); err != nil {
				t.Fatal(err)
			}
			if len(got.Missing)+len(got.Unstable) > 0 {
				t.Errorf("the other drive made sectors missing %v, unstable %v", got.Missing, got.Unstable)
			}
			y.holds("old.img", content, got.Unread)
			if got.Read == 0 {
				t.Error("nothing stays of what was read before the swap")
			}

			_, said = y.types(talk.ExitRefused, command(swapped)...) // it is still the other one
			y.says(said, "not the drive")
			y.holds("old.img", content, got.Unread)

			back := rig.Start(t, drives.path("drive"), rig.Faults{})
			y.types(talk.ExitDone, command(back)...)
			y.holds("old.img", content, nil)
			y.types(talk.ExitDone, "verify", "old.img")
		})
	}
}
