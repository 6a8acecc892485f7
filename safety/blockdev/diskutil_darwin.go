package blockdev

import (
	"bytes"
	"context"
	"fmt"
	"os/exec"
	"time"
)

// askDiskutil asks macOS what it knows of a disk. The model, the bus and whether a
// medium can be taken out are known to its registry alone, which a program without C
// reaches only through a command; diskutil(8) writes the answer in a form that is
// documented and not text for people. No answer is no error: the list is then shorter.
func askDiskutil(number int) plist {
	ctx, cancel := context.WithTimeout(context.Background(), diskutilWaits)
	defer cancel()
	var out bytes.Buffer
	cmd := exec.CommandContext(ctx, "/usr/sbin/diskutil", "info", "-plist", fmt.Sprintf("disk%d", number))
	cmd.Stdout = &out
	if err := cmd.Run(); err != nil {
		return nil
	}
	told, err := readPlist(&out)
	if err != nil {
		return nil
	}
	return told
}

// diskutilWaits is how long diskutil may take: by hand, no source. A drive that does not
// answer holds it up.
const diskutilWaits = 10 * time.Second
