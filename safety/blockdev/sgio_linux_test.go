package blockdev

import (
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"unsafe"

	"golang.org/x/sys/unix"

	"bootgraft/image/ata"
	"bootgraft/image/imagetest/need"
)

// TestNoOtherCommandReachesTheDrive: a request that is none of the four, in any byte,
// never comes to the kernel.
func TestNoOtherCommandReachesTheDrive(t *testing.T) {
	var sent [][16]byte
	s := sg{func(h *sgHeader) error {
		sent = append(sent, *(*[16]byte)(h.cmdp))
		return nil
	}}
	for c := range 256 {
		s.Send(ata.Command(c))
	}
	if len(sent) != 4 {
		t.Fatalf("%d commands were sent: % X", len(sent), sent)
	}
	four := map[[16]byte]bool{}
	for _, cdb := range sent {
		four[cdb] = true
	}
	var not *ata.NotAllowedError
	for _, cdb := range sent[:4:4] {
		for at := range cdb {
			for v := range 256 {
				mutant, before := cdb, len(sent)
				mutant[at] = byte(v)
				_, _, err := s.send(mutant, 512)
				if !four[mutant] && (len(sent) != before || !errors.As(err, &not)) {
					t.Fatalf("% X was sent", mutant)
				}
			}
		}
	}
}

// TestSend: what the kernel says of a request.
func TestSend(t *testing.T) {
	reader := []byte{0x70, 0, 5, 0, 0, 0, 0, 10, 0, 0, 0, 0, 0x20, 0, 0, 0, 0, 0}
	for name, c := range map[string]struct {
		ioctl func(*sgHeader) error
		says  string
	}{
		"answers": {func(h *sgHeader) error {
			copy(unsafe.Slice((*byte)(h.dxferp), h.dxferLen), "drive")
			return nil
		}, ""},
		"no SG_IO":   {func(*sgHeader) error { return unix.ENOTTY }, ata.ErrReader.Error()},
		"not root":   {func(*sgHeader) error { return unix.EPERM }, "by root alone"},
		"gone":       {func(*sgHeader) error { return unix.ENODEV }, "could not be asked"},
		"no answer":  {func(h *sgHeader) error { h.hostStatus = 3; return nil }, "gave no answer"},
		"half of it": {func(h *sgHeader) error { h.resid = 256; return nil }, "gave 256 of 512 bytes"},
		"more sense": {func(h *sgHeader) error { h.status, h.sbLenWr = 2, 255; return nil }, "status 02"},
		"a dumb one ": {func(h *sgHeader) error {
			h.status, h.sbLenWr = 2, uint8(copy(unsafe.Slice((*byte)(h.sbp), h.mxSbLen), reader))
			return nil
		}, ata.ErrReader.Error()},
	} {
		b, _, err := sg{c.ioctl}.Send(ata.IdentifyDevice)
		if c.says == "" && (err != nil || len(b) != 512 || string(b[:5]) != "drive") ||
			c.says != "" && (err == nil || !strings.Contains(err.Error(), c.says)) {
			t.Errorf("%s: %d bytes, %v", name, len(b), err)
		}
	}
}

// TestHeaderIsThatOfTheKernel: a C compiler, with the header of the system, gives the
// same places.
func TestHeaderIsThatOfTheKernel(t *testing.T) {
	t.Parallel()
	cc := need.Tool(t, "gcc")
	dir := t.TempDir()
	src := filepath.Join(dir, "sg.c")
	if err := os.WriteFile(src, []byte(`#include <stdio.h>
#include <stddef.h>
#include <scsi/sg.h>
#define O(f) (int)offsetof(sg_io_hdr_t, f)
int main(void) {
	printf("%d %d %d %d %d %d %d %d %d %d %d %d %d %x", (int)sizeof(sg_io_hdr_t), O(dxfer_direction), O(cmd_len), O(mx_sb_len),
		O(dxfer_len), O(dxferp), O(cmdp), O(sbp), O(timeout), O(status), O(sb_len_wr), O(host_status), O(resid), SG_IO);
	return 0;
}
`), 0o600); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command(cc, "-o", filepath.Join(dir, "sg"), src).CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	out, err := exec.Command(filepath.Join(dir, "sg")).Output()
	if err != nil {
		t.Fatal(err)
	}
	var h sgHeader
	ours := fmt.Sprintf("%d %d %d %d %d %d %d %d %d %d %d %d %d %x", unsafe.Sizeof(h), unsafe.Offsetof(h.direction), unsafe.Offsetof(h.cmdLen),
		unsafe.Offsetof(h.mxSbLen), unsafe.Offsetof(h.dxferLen), unsafe.Offsetof(h.dxferp), unsafe.Offsetof(h.cmdp), unsafe.Offsetof(h.sbp),
		unsafe.Offsetof(h.timeout), unsafe.Offsetof(h.status), unsafe.Offsetof(h.sbLenWr), unsafe.Offsetof(h.hostStatus), unsafe.Offsetof(h.resid), sgIO)
	if string(out) != ours {
		t.Errorf("the kernel's header has %s, ours %s", out, ours)
	}
}
