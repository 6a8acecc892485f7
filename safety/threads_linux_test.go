package safety

import (
	"errors"
	"fmt"
	"os"
	"runtime"
	"strings"
	"syscall"
	"testing"

	"golang.org/x/sys/unix"

	"bootgraft/image"
	"bootgraft/layout/plan"
	"bootgraft/safety/blockdev"
	"bootgraft/safety/receipt"
)

// A loop device whose file has no room to grow answers ENOSPC (write(2)), as a
// device does whose card was pulled. It is still there, and that is said.
func TestAFullStoreIsNotAPulledCard(t *testing.T) {
	b := newBench(t)
	dir := b.path("small")
	do(t, os.Mkdir(dir, 0o700))
	b.tool("mount", "-t", "tmpfs", "-o", "size=4m", "none", dir)
	b.later("umount", "-l", dir)
	put(t, dir+"/card.img", nil)
	do(t, os.Truncate(dir+"/card.img", loopSectors*sector))
	target := b.target(b.loop(dir + "/card.img"))
	card := wholeCopy(patterned(5, loopSectors))
	_, err := perform(target, Request{Kind: receipt.Write, Digest: "plan", Disk: plan.Size{Sectors: loopSectors, SectorSize: sector},
		Card: card, Pieces: card.pieces, Receipt: b.path("receipt")})
	var failed *image.ReadError
	if !errors.As(err, &failed) {
		t.Fatalf("got %v", err)
	}
	if failed.Fault == image.Gone || strings.Contains(err.Error(), "pulled") {
		t.Errorf("it is called pulled: %v", err)
	}
	if !errors.Is(err, syscall.ENOSPC) || !strings.Contains(err.Error(), "what it stores in is full") {
		t.Errorf("the kernel gives ENOSPC, and what that means is to be said: %v", err)
	}
}

// A thread that has a descriptor table of its own (unshare(2), CLONE_FILES) and
// the card open in it is found, though the process as a whole shows nothing.
func TestAWriterInAThreadOfItsOwn(t *testing.T) {
	if node := os.Getenv("BOOTGRAFT_THREAD_WRITES"); node != "" {
		writeFromAThread(node)
	}
	b := newBench(t)
	node := b.card()
	t.Setenv("BOOTGRAFT_THREAD_WRITES", node)
	b.start(os.Args[0], "-test.run=^TestAWriterInAThreadOfItsOwn$")
	f, err := b.target(node).Look(nil)
	do(t, err)
	for _, u := range f.Uses {
		if u.How == blockdev.WriterOf {
			return
		}
	}
	t.Errorf("nobody is seen: %+v", f.Uses)
}

// writeFromAThread opens the node in a thread of its own, says so, and holds it
// until its standard input ends.
func writeFromAThread(node string) {
	ready := make(chan error)
	go func() {
		runtime.LockOSThread()
		err := unix.Unshare(unix.CLONE_FILES)
		if err == nil {
			_, err = unix.Open(node, unix.O_WRONLY, 0)
		}
		ready <- err
		select {}
	}()
	if err := <-ready; err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	fmt.Println("ready")
	os.Stdin.Read(make([]byte, 1))
	os.Exit(0)
}
