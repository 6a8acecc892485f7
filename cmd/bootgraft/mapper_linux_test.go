package main

import (
	"fmt"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest/guest"
	"bootgraft/image/imagetest/need"
)

// TestMappedDevices: a real kernel with the device mapper, and dmsetup(8). A disk that a
// mapped device lies on, mounted or held by another one as LVM does it, is neither written
// nor read, and neither is the mapped device below another one or below a mount: who holds
// it is named. When all of them are gone the same disk is taken.
func TestMappedDevices(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("skipped: a virtual machine takes a minute")
	}
	kernel := need.Kernel(t)
	dir := t.TempDir()
	program, card, old := filepath.Join(dir, "bootgraft"), filepath.Join(dir, "card.img"), filepath.Join(dir, "old.img")
	guest.Build(t, program, "bootgraft/cmd/bootgraft")
	const sectors = 32_768
	for _, name := range []string{card, old} {
		if err := os.WriteFile(name, nil, 0o600); err != nil {
			t.Fatal(err)
		}
		if err := os.Truncate(name, sectors*512); err != nil {
			t.Fatal(err)
		}
		if out, err := exec.Command(need.Tool(t, "mke2fs"), "-q", "-F", "-t", "ext2", name).CombinedOutput(); err != nil {
			t.Fatalf("mke2fs: %v\n%s", err, out)
		}
	}
	plan := exec.Command(program, "plan", old, "--size", fmt.Sprintf("%ds", sectors), "-o", filepath.Join(dir, "card.plan"))
	if out, err := plan.CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	m := guest.Machine{Kernel: kernel, Disks: 1, Modules: []string{"ata_piix", "sd_mod", "dm_mod", "dm_snapshot", "crc32c_generic", "ext4"},
		Files:   map[string]string{"/bin/bootgraft": program, "/data/old.img": old, "/data/card.plan": filepath.Join(dir, "card.plan")},
		Devices: []string{"-drive", "file=" + card + ",format=raw,if=none,id=d0,snapshot=on", "-device", "ide-hd,drive=d0,serial=CARD"}}
	for _, name := range []string{"dmsetup", "mount", "umount", "mkdir"} {
		maps.Copy(m.Files, guest.Program(t, name))
	}
	var lines [][]string
	type want struct {
		code int
		says []string
	}
	wants := map[int]want{}
	do := func(line ...string) { lines = append(lines, line) }
	ends := func(code int, line []string, says ...string) {
		wants[len(lines)] = want{code, says}
		lines = append(lines, line)
	}
	write := func(node string) []string {
		return []string{"/bin/bootgraft", "write", "/data/card.plan", node, "--device", "--source", "/data/old.img", "--fixed", "CARD"}
	}
	capture := func(node string) []string {
		return []string{"/bin/bootgraft", "capture", node, "/tmp/" + strings.ReplaceAll(node[1:], "/", "-") + ".img"}
	}
	create := func(name, table string) {
		do("/bin/dmsetup", "create", name, "--noudevsync", "--noudevrules", "--table", table)
	}
	do("/bin/mkdir", "/m")
	create("low", fmt.Sprintf("0 %d linear /dev/sda 0", sectors))
	ends(talk.ExitRefused, write("/dev/sda"), string(disk.TargetHeld), "/dev/dm-0")
	do("/bin/dmsetup", "mknodes") // nobody else makes them here, and mount(8) wants the name
	do("/bin/mount", "-t", "ext4", "/dev/dm-0", "/m")
	ends(talk.ExitRefused, write("/dev/sda"), string(disk.TargetMounted), "/m")
	ends(talk.ExitRefused, write("/dev/dm-0"), string(disk.TargetMounted), "/m")
	ends(talk.ExitRefused, capture("/dev/sda"), "/m")
	ends(talk.ExitRefused, capture("/dev/dm-0"), "/m")
	do("/bin/umount", "/m")
	create("high", fmt.Sprintf("0 %d snapshot-origin /dev/dm-0", sectors))
	ends(talk.ExitRefused, write("/dev/sda"), string(disk.TargetHeld), "/dev/dm-0")
	ends(talk.ExitRefused, write("/dev/dm-0"), string(disk.TargetHeld), "/dev/dm-1")
	ends(talk.ExitRefused, capture("/dev/sda"), "/dev/dm-0", "dmsetup remove high && dmsetup remove low")
	do("/bin/dmsetup", "remove", "--noudevsync", "high")
	do("/bin/dmsetup", "remove", "--noudevsync", "low")
	ends(talk.ExitDone, write("/dev/sda"), "/dev/sda") // a rehearsal: it could be written
	results := m.Run(t, lines...)
	for i, r := range results {
		w, ok := wants[i]
		if !ok {
			if r.Code != 0 {
				t.Errorf("%v ended with %d: %s%s", lines[i], r.Code, r.Output, r.Errors)
			}
			continue
		}
		said := r.Output + r.Errors
		if r.Code != w.code {
			t.Errorf("%d, %v ended with %d, want %d:\n%s", i, lines[i], r.Code, w.code, said)
		}
		for _, s := range w.says {
			if !strings.Contains(said, s) {
				t.Errorf("%d, %v: %q is not said:\n%s", i, lines[i], s, said)
			}
		}
	}
}
